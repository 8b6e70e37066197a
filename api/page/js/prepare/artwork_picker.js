// The artwork: a file measured by the controller, its picture with the undercut, or one that was measured before.

import { attempt } from "../frame/commands.js";
import { h, mark, put, show } from "../base/dom.js";
import { field, numberField } from "../base/field.js";
import { fixed, numberIn, printed } from "../base/numbers.js";
import { FILE_TYPES, get, path, query, RefusedError, upload } from "../base/server.js";

const PICTURE_AFTER_MS = 600;
const PICTURE_AGAIN_MS = 2000;
const MOST_FAILURES = 8;
const WAITING = "The picture of the artwork, its undercut and the lines that it loses";
const KINDS = ".png,.tif,.tiff,.jpg,.jpeg,.pdf,.svg";

/** onchange(): another artwork was chosen or measured. */
export class ArtworkPicker {
  constructor(onchange) {
    this.onchange = onchange;
    this.artwork = null;
    this.name = "";
    this.measured = null;
    this.wanted = "";
    this.asked = null;
    this.failures = 0;
    this.timer = null;
    this.isRefused = false;
    this.build();
  }

  build() {
    this.file = h("input", { type: "file", accept: [...FILE_TYPES, KINDS].join(), onchange: () => this.send() });
    this.fileField = field("Artwork file", this.file, { hint: "PDF, SVG, TIFF, PNG or JPEG at its true size. Dark is etched." });
    this.note = this.fileField.note;
    this.before = h("select", { onchange: () => this.before.value !== "" && this.take(this.before.value, true) });
    this.beforeField = field("Or one measured before", this.before, {});
    this.invert = h("input", { type: "checkbox", onchange: () => this.send() });
    this.width = numberField("Width of the page", "mm", "Only when the file does not tell its size.");
    this.margin = numberField("Margin outside the plate", "mm", "So much along each side is not etched.");
    this.page = numberField("Page", "", "Of a PDF or TIFF, from 1.");
    for (const option of [this.width, this.margin, this.page]) option.input.addEventListener("change", () => this.send());
    this.image = h("img", { alt: "", onload: () => this.drawn(true), onerror: () => this.drawn(false) });
    this.waiting = h("span", {}, WAITING);
    this.facts = h("p", { class: "note" }, "");
    this.element = h(
      "div",
      {},
      this.fileField.element,
      h("figure", { class: "preview" }, this.waiting, this.image),
      this.facts,
      this.beforeField.element,
      h("details", {}, h("summary", {}, "How to read the file"),
        h("label", { class: "check-line" }, this.invert, "Light is etched instead of dark"),
        h("div", { class: "two" }, this.width.element, this.margin.element), this.page.element),
    );
    show(this.image, false);
  }

  /** Fetch the artworks measured before. */
  async fetch() {
    const list = await get(query("/api/artworks", { limit: 30 })).catch(() => ({ artworks: [] }));
    const options = list.artworks.map((known) => [known.artwork, `${known.name || "without a name"}, ${fixed(known.area_mm2 / 100, 2)} cm\u00b2`]);
    this.before.replaceChildren(...[["", "choose\u2026"], ...options].map(([value, text]) => h("option", { value }, text)));
    this.before.value = options.some(([value]) => value === this.artwork) ? this.artwork : "";
  }

  read() {
    return { artwork: this.artwork, artwork_name: this.name, measured: this.measured };
  }

  /** Show an artwork of a draft; without one on the shelf its stored measurement stays. */
  write({ artwork, artwork_name, measured }) {
    Object.assign(this, { artwork, name: artwork_name, measured });
    if (artwork !== null) this.take(artwork, false);
  }

  /** Send the chosen file and the options; measuring takes some seconds. */
  async send() {
    const file = this.file.files[0];
    if (file === undefined) return;
    put(this.facts, `Measuring ${file.name}\u2026`);
    const number = (option) => numberIn(option.input.value);
    const address = query("/api/artworks", {
      name: file.name.slice(0, 120), invert: this.invert.checked || null, width_mm: number(this.width), margin_mm: number(this.margin), page: number(this.page),
    });
    const found = await attempt(() => upload(address, file).catch((error) => this.refused(error)));
    if (found === null) return;
    this.isRefused = false;
    this.note.say([], "bad");
    this.show(found);
    this.onchange();
    this.fetch();
  }

  refused(error) {
    if (!(error instanceof RefusedError) || error.kind === "pairing-needed") throw error;
    this.isRefused = true;
    this.note.say([error.message], "bad");
    put(this.facts, "");
    return null;
  }

  /** Take an artwork from the shelf. */
  async take(artwork, isChosen) {
    try {
      this.show(await get(path("artworks", artwork)));
    } catch {
      put(this.facts, this.measured === null ? "This artwork is no longer kept: upload the file again." : "The file is no longer kept; its measurement is.");
      return;
    }
    if (isChosen) this.onchange();
  }

  show(found) {
    this.artwork = found.artwork;
    this.name = found.name;
    this.measured = null;
    const { measure } = found;
    const doubt = fixed(measure.area_uncertainty_mm2 / 100, 3);
    const facts = `${found.name}: ${fixed(found.area_mm2 / 100, 3)} \u00b1 ${doubt} cm\u00b2 open, ${fixed(found.edge_mm, 0)} mm of edge, `
      + `${fixed(found.width_mm, 1)} \u00d7 ${fixed(found.height_mm, 1)} mm.`;
    put(this.facts, [facts, ...measure.warnings.map(printed)].join(" "));
    mark(this.image, "alt", `Picture of ${found.name}: what is etched, how far the undercut reaches, resist lines that will not survive`);
    this.wanted = "";
    this.draw(null, null);
  }

  /** Draw the picture for a depth and an etch factor, a moment after the last change. */
  draw(depthMm, etchFactor) {
    if (this.artwork === null || this.measured !== null) return;
    const address = query(path("artworks", this.artwork, "preview.png"), {
      depth_mm: depthMm === null ? null : Number(depthMm.toPrecision(4)), etch_factor: etchFactor === null ? null : Number(etchFactor.toPrecision(3)),
    });
    if (address === this.wanted) return;
    Object.assign(this, { wanted: address, failures: 0 });
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.ask(), PICTURE_AFTER_MS);
  }

  /** Ask for the picture; one at a time, as the controller draws one at a time. */
  ask() {
    if (this.asked !== null) return;
    this.asked = this.wanted;
    this.image.src = this.asked;
  }

  /** A picture has come or not. Another one is wanted by now, or it is tried again: somebody else's may be on the easel. */
  drawn(hasCome) {
    const isOld = this.asked !== this.wanted;
    this.asked = null;
    this.failures = hasCome || isOld ? 0 : this.failures + 1;
    show(this.image, hasCome);
    show(this.waiting, !hasCome);
    put(this.waiting, this.failures < MOST_FAILURES ? WAITING : "The picture cannot be drawn.");
    if (isOld) this.ask();
    else if (!hasCome && this.failures < MOST_FAILURES) this.timer = setTimeout(() => this.ask(), PICTURE_AGAIN_MS);
  }
}
