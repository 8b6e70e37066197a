// The place of a reading, tapped on a picture of the plate, and the depth that is expected there.

import { button, h, put, show } from "../base/dom.js";
import { fixed } from "../base/numbers.js";
import { PictureBox } from "../pictures/picture_box.js";
import { text } from "../base/text.js";

const OPEN = 1;

/** Values of evenness between which the bath's is likely: nine times out of ten. */
const LIKELY = [0.1, 0.2, 0.35, 0.5, 0.65];

/**
 * Return the depth expected at a place, {low, best, high} in mm.
 *
 * depth: {best, low, high} in the middle of the widest floor; ratioAt(evenness): depth at the place
 * over that.
 */
export function expectedAt(depth, ratioAt, evenness) {
  const ratios = [...LIKELY, evenness].map(ratioAt);
  return {
    best: depth.best * ratioAt(evenness),
    low: (depth.low ?? depth.best) * Math.min(...ratios),
    high: (depth.high ?? depth.best) * Math.max(...ratios),
  };
}

/** The field. onchange(place): {x_mm, y_mm}, or null when no place is chosen. */
export class TappedPlace {
  constructor(load, onchange) {
    this.onchange = onchange;
    this.depth = null;
    this.place = null;
    this.box = new PictureBox(load, {
      title: "reading.tap",
      ontap: (place, found) => this.tap(place, found),
    });
    this.words = h("p", { role: "status" });
    this.drop = button(text("reading.no_place"), () => this.clear());
    show(this.drop, false);
    this.element = h("div", {}, this.box.element, this.words, this.drop);
  }

  /** Show the plate at its depth: as PictureBox, and {best, low, high} of the depth. */
  show(plate, depth) {
    this.depth = depth;
    this.box.show(plate);
  }

  clear() {
    this.place = null;
    put(this.words, "");
    show(this.drop, false);
    this.onchange(null);
  }

  tap({ x, y }, { kind, ratioAt, evenness }) {
    if (kind !== OPEN) {
      this.clear();
      put(this.words, text("reading.tap_metal"));
      return;
    }
    this.place = { x_mm: Number(x.toFixed(2)), y_mm: Number(y.toFixed(2)) };
    const at = { x_mm: fixed(x, 1), y_mm: fixed(y, 1) };
    const { best, low, high } = expectedAt(this.depth, ratioAt, evenness);
    const expected = { depth_mm: fixed(best, 2), low_mm: fixed(low, 2), high_mm: fixed(high, 2) };
    put(this.words, text("reading.expected", { ...at, ...expected }));
    show(this.drop, true);
    this.onchange(this.place);
  }
}
