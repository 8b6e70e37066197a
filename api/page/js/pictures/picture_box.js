// A box that opens the pictures of a plate. Their modules and data load when it is opened first.

import { h, put, show } from "../base/dom.js";
import { text } from "../base/text.js";

const AT_MOST_EVERY_MS = 500;
const LEAST_STEP_MM = 0.0005;

/**
 * load(): returns the class of the pictures. show(plate): {artwork, depthMm, etchFactor, evenness,
 * thicknessMm}; without an artwork there is no box.
 */
export class PictureBox {
  constructor(load, { ontap = null, title = "plate.heading" } = {}) {
    this.load = load;
    this.ontap = ontap;
    this.pictures = null;
    this.plate = null;
    this.shown = { key: "", at: -Infinity };
    this.problem = h("p", { class: "quiet" });
    this.room = h("div", {}, this.problem);
    const summary = h("summary", {}, text(title));
    this.element = h("details", { class: "plate-box", ontoggle: () => this.opened() }, summary);
    this.element.append(this.room);
    show(this.element, false);
  }

  show(plate) {
    this.plate = plate;
    show(this.element, plate?.artwork != null);
    if (this.element.open && this.pictures !== null) this.move();
  }

  /** Draw the present depth, at most twice a second. */
  move(now = performance.now()) {
    if (this.plate?.artwork == null || this.pictures === null) return;
    const { depthMm, ...rest } = this.plate;
    const key = `${JSON.stringify(rest)} ${Math.round(depthMm / LEAST_STEP_MM)}`;
    if (key === this.shown.key || now - this.shown.at < AT_MOST_EVERY_MS) return;
    this.shown = { key, at: now };
    this.pictures.show(this.plate);
  }

  async opened() {
    if (!this.element.open) return;
    if (this.pictures === null) {
      put(this.problem, text("plate.loading"));
      try {
        const Pictures = await this.load();
        this.pictures ??= new Pictures({ ontap: this.ontap });
      } catch {
        put(this.problem, text("server.unreachable"));
        return;
      }
      this.room.replaceChildren(this.pictures.element);
    }
    this.move();
  }
}

/** Return what the pictures show of a plan at a depth. */
export const plateShown = (plan, depthMm) => ({
  artwork: plan.request.artwork ?? null,
  depthMm,
  etchFactor: plan.etch_factor,
  evenness: plan.evenness ?? null,
  thicknessMm: plan.request.thickness_mm ?? null,
});
