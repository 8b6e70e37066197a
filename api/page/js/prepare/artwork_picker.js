// The artwork: a file that the controller measures, with a picture of the undercut, or one that was
// measured before.

import { attempt } from "../frame/commands.js";
import { h, mark, put, show } from "../base/dom.js";
import { field, numberField } from "../base/field.js";
import { fixed, numberIn, printed, withUnit } from "../base/numbers.js";
import { FILE_TYPES, get, path, query, RefusedError, upload } from "../base/server.js";
import { text } from "../base/text.js";

const PICTURE_AFTER_MS = 600;
const PICTURE_AGAIN_MS = 2000;
const MOST_FAILURES = 8;
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
    this.plate = null;
    this.editor = null;
    this.known = [];
    this.build();
  }

  build() {
    this.file = h("input", {
      type: "file",
      accept: [...FILE_TYPES, KINDS].join(),
      onchange: () => this.send(),
    });
    this.fileField = field(text("artwork.file"), this.file, { hint: text("artwork.file_hint") });
    this.note = this.fileField.note;
    const choose = () => this.before.value !== "" && this.take(this.before.value, true);
    this.before = h("select", { onchange: choose });
    this.beforeField = field(text("artwork.before"), this.before, {});
    this.invert = h("input", { type: "checkbox", onchange: () => this.send() });
    this.width = numberField(text("artwork.width"), "mm", text("artwork.width_hint"));
    this.margin = numberField(text("artwork.margin"), "mm", text("artwork.margin_hint"));
    this.page = numberField(text("artwork.page"), "", text("artwork.page_hint"));
    for (const { input } of [this.width, this.margin, this.page]) {
      input.addEventListener("change", () => this.send());
    }
    const [onload, onerror] = [() => this.drawn(true), () => this.drawn(false)];
    this.image = h("img", { alt: "", onload, onerror });
    this.waiting = h("span", {}, text("artwork.waiting"));
    this.facts = h("p", { class: "note" }, "");
    this.several = h(
      "details",
      { ontoggle: () => this.openPlate() },
      h("summary", {}, text("pieces.several")),
    );
    this.element = h(
      "div",
      {},
      this.fileField.element,
      h("figure", { class: "preview" }, this.waiting, this.image),
      this.facts,
      this.beforeField.element,
      this.several,
      h(
        "details",
        {},
        h("summary", {}, text("artwork.reading_options")),
        h("label", { class: "check-line" }, this.invert, text("artwork.invert")),
        h("div", { class: "two" }, this.width.element, this.margin.element),
        this.page.element,
      ),
    );
    show(this.image, false);
  }

  /** Fetch the artworks measured before. */
  async fetch() {
    const list = await get(query("/api/artworks", { limit: 30 })).catch(() => ({ artworks: [] }));
    this.known = list.artworks;
    this.editor?.offer(this.known);
    const titleOf = (known) =>
      text("artwork.option", {
        name: known.name || text("app.unnamed"),
        area: withUnit(known.area_mm2 / 100, 2, "cm\u00b2"),
      });
    const options = list.artworks.map((known) => [known.artwork, titleOf(known)]);
    const all = [["", text("artwork.choose")], ...options];
    this.before.replaceChildren(...all.map(([value, title]) => h("option", { value }, title)));
    this.before.value = options.some(([value]) => value === this.artwork) ? this.artwork : "";
  }

  read() {
    const { artwork, name, measured, plate } = this;
    return { artwork, artwork_name: name, measured, plate };
  }

  /** Show the artwork of a draft. Without a stored file its measurement stays. */
  write({ artwork, artwork_name, measured, plate }) {
    Object.assign(this, { artwork, name: artwork_name, measured, plate: plate ?? null });
    this.editor?.write(this.plate);
    if (artwork !== null) this.take(artwork, false);
  }

  /** Load the editor of plates when somebody wants several pieces: most want one. */
  async openPlate() {
    if (!this.several.open || this.editor !== null) return;
    const { PlateEditor } = await import("./plate/plate_editor.js");
    if (this.editor !== null) return;
    this.editor = new PlateEditor(
      (found, plate) => this.takePlate(found, plate),
      (plate) => this.takePlate(null, plate),
    );
    this.editor.offer(this.known);
    this.editor.write(this.plate);
    this.several.append(this.editor.element);
  }

  /** Plan with a plate, or with none when it cannot be used. */
  takePlate(found, plate) {
    this.plate = plate;
    if (found === null) this.artwork = null;
    else this.show(found);
    this.onchange();
  }

  /** Send the chosen file and the options; measuring takes some seconds. */
  async send() {
    const file = this.file.files[0];
    if (file === undefined) return;
    put(this.facts, text("artwork.measuring", { name: file.name }));
    const number = (option) => numberIn(option.input.value);
    const address = query("/api/artworks", {
      name: file.name.slice(0, 120),
      invert: this.invert.checked || null,
      width_mm: number(this.width),
      margin_mm: number(this.margin),
      page: number(this.page),
    });
    const send = () => upload(address, file).catch((error) => this.refused(error));
    const found = await attempt(send);
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

  /** Take an artwork that the controller has stored. */
  async take(artwork, isChosen) {
    try {
      this.show(await get(path("artworks", artwork)));
    } catch (error) {
      const isHidden = error instanceof RefusedError && error.kind === "pairing-needed";
      const gone = this.measured === null ? "artwork.gone" : "artwork.only_measurement";
      put(this.facts, text(isHidden ? "artwork.only_paired" : gone));
      return;
    }
    if (isChosen) this.onchange();
  }

  show(found) {
    this.artwork = found.artwork;
    this.name = found.name;
    this.measured = null;
    const { measure } = found;
    const facts = text("artwork.facts", {
      name: found.name,
      area_cm2: fixed(found.area_mm2 / 100, 3),
      doubt_cm2: fixed(measure.area_uncertainty_mm2 / 100, 3),
      edge_mm: fixed(found.edge_mm, 0),
      width_mm: fixed(found.width_mm, 1),
      height_mm: fixed(found.height_mm, 1),
    });
    put(this.facts, [facts, ...measure.warnings.map(printed)].join(" "));
    mark(this.image, "alt", text("artwork.picture", { name: found.name }));
    this.wanted = "";
    this.draw(null, null);
  }

  /** Draw the picture for a depth and an etch factor, a moment after the last change. */
  draw(depthMm, etchFactor) {
    if (this.artwork === null || this.measured !== null) return;
    const address = query(path("artworks", this.artwork, "preview.png"), {
      depth_mm: depthMm === null ? null : Number(depthMm.toPrecision(4)),
      etch_factor: etchFactor === null ? null : Number(etchFactor.toPrecision(3)),
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

  /** A picture has come or failed. Ask for a newer one, or try again while others are drawn. */
  drawn(hasCome) {
    const isOld = this.asked !== this.wanted;
    this.asked = null;
    this.failures = hasCome || isOld ? 0 : this.failures + 1;
    show(this.image, hasCome);
    show(this.waiting, !hasCome);
    const isHopeless = this.failures >= MOST_FAILURES;
    put(this.waiting, text(isHopeless ? "artwork.no_picture" : "artwork.waiting"));
    if (isOld) this.ask();
    else if (!hasCome && !isHopeless) this.timer = setTimeout(() => this.ask(), PICTURE_AGAIN_MS);
  }
}
