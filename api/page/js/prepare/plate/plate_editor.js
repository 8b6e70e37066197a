// Several pieces on one plate: add artworks, place and turn them, or have them arranged. The
// controller assembles and measures the plate after each change.

import { button, h, mark, put } from "../../base/dom.js";
import { field, Note, numberField } from "../../base/field.js";
import { fixed, numberIn, tidy } from "../../base/numbers.js";
import { post, RefusedError } from "../../base/server.js";
import { text } from "../../base/text.js";
import { besideAll, bodyOf, EMPTY_PLATE, placedAs, turnedTo } from "./plate_model.js";
import { SheetPicture } from "./sheet_picture.js";

const AFTER_MS = 500;
const AGAIN_MS = 1000;
const PATIENCE_MS = 180_000;
const SPACING_MM = 3;
const BORDER_MM = 5;
const MOST_COPIES = 100;
const BUSY = 503;

/** ontake(found, plate): the plate was measured as an artwork. onlose(plate): it has no pieces. */
export class PlateEditor {
  constructor(ontake, onlose) {
    Object.assign(this, { ontake, onlose, plate: EMPTY_PLATE, known: [], selected: null });
    Object.assign(this, { timer: null, asked: 0, answered: null });
    this.picture = new SheetPicture({
      select: (index) => this.select(index),
      move: (index, piece) => this.change(index, piece),
      moved: () => this.later(),
      remove: (index) => this.remove(index),
    });
    this.choice = h("select", {});
    const hint = text("pieces.add_hint");
    this.choiceField = field(text("pieces.artwork"), this.choice, { hint });
    this.copies = numberField(text("pieces.copies"), "", "");
    this.copies.input.value = "1";
    this.width = numberField(text("pieces.width"), "mm", text("pieces.size_hint"));
    this.height = numberField(text("pieces.height"), "mm", "");
    this.spacing = numberField(text("pieces.spacing"), "mm", "");
    this.x = numberField(text("pieces.x"), "mm", "");
    this.y = numberField(text("pieces.y"), "mm", "");
    this.degrees = numberField(text("pieces.degrees"), "\u00b0", text("pieces.degrees_hint"));
    for (const { input } of [this.width, this.height]) {
      input.addEventListener("change", () => this.resize());
    }
    for (const { input } of [this.x, this.y, this.degrees]) {
      input.addEventListener("change", () => this.typed());
    }
    this.title = h("legend", { class: "label" }, text("pieces.no_piece"));
    this.note = new Note("");
    this.state = h("p", { class: "note plate-state", "aria-live": "polite" }, "");
    this.own = h(
      "fieldset",
      { disabled: true },
      this.title,
      h("div", { class: "two" }, this.x.element, this.y.element),
      this.degrees.element,
      h(
        "div",
        { class: "plate-buttons" },
        button(text("pieces.turn"), () => this.turn()),
        button(text("pieces.copy"), () => this.copy()),
        button(text("pieces.remove"), () => this.remove(this.selected)),
      ),
    );
    const sheet = h(
      "div",
      {},
      this.picture.element,
      h("p", { class: "note" }, text("pieces.how")),
      this.note.element,
      this.state,
      button(text("pieces.arrange"), () => this.arrange(), { class: "wide" }),
      this.own,
    );
    this.element = h(
      "div",
      { class: "plate-editor" },
      this.choiceField.element,
      this.copies.element,
      button(text("pieces.add"), () => this.add(), { class: "wide" }),
      h("div", { class: "two" }, this.width.element, this.height.element),
      this.spacing.element,
      sheet,
    );
    this.draw();
  }

  /** Offer artworks to add: {artwork, name, width_mm, height_mm}. Plates are left out. */
  offer(known) {
    this.known = known.filter((one) => one.file_format !== "ZIP");
    const options = this.known.map(({ artwork, name }) =>
      h("option", { value: artwork }, name || text("app.unnamed")),
    );
    const before = this.choice.value;
    this.choice.replaceChildren(...options);
    if (this.known.some(({ artwork }) => artwork === before)) this.choice.value = before;
  }

  /** Show the plate of a draft. */
  write(plate) {
    this.plate = plate ?? EMPTY_PLATE;
    this.selected = null;
    const [width, height] = this.plate.typed ?? ["", ""];
    this.width.input.value = width;
    this.height.input.value = height;
    this.draw();
  }

  async add() {
    const found = this.known.find(({ artwork }) => artwork === this.choice.value);
    const copies = numberIn(this.copies.input.value);
    const isWhole = Number.isInteger(copies) && copies >= 1 && copies <= MOST_COPIES;
    const range = text("pieces.copies_range", { most: MOST_COPIES });
    this.copies.note.say(isWhole ? [] : [range], "bad");
    if (found === undefined || !isWhole) return;
    const { artwork, name, width_mm, height_mm } = found;
    let pieces = [...this.plate.pieces];
    for (let copy = 0; copy < copies; copy += 1) {
      const place = this.plate.is_placed
        ? besideAll(pieces, SPACING_MM, BORDER_MM)
        : { x_mm: BORDER_MM, y_mm: BORDER_MM };
      pieces = [...pieces, { artwork, name, width_mm, height_mm, degrees: 0, ...place }];
    }
    this.plate = { ...this.plate, pieces };
    await this.assemble();
  }

  arrange() {
    this.plate = { ...this.plate, is_placed: false };
    return this.assemble();
  }

  select(index) {
    this.selected = index;
    this.draw();
  }

  change(index, piece) {
    const pieces = this.plate.pieces.map((one, place) => (place === index ? piece : one));
    this.plate = { ...this.plate, pieces, is_placed: true };
    this.selected = index;
    this.draw();
  }

  turn() {
    const piece = this.plate.pieces[this.selected];
    this.change(this.selected, turnedTo(piece, piece.degrees + 90));
    this.later();
  }

  typed() {
    const piece = this.plate.pieces[this.selected];
    const [x, y, degrees] = [this.x, this.y, this.degrees].map(({ input }) =>
      numberIn(input.value),
    );
    if (piece === undefined || [x, y, degrees].includes(null)) return;
    if (degrees === piece.degrees) this.change(this.selected, { ...piece, x_mm: x, y_mm: y });
    else this.change(this.selected, turnedTo(piece, degrees));
    this.later();
  }

  copy() {
    const place = besideAll(this.plate.pieces, SPACING_MM, BORDER_MM);
    const pieces = [...this.plate.pieces, { ...this.plate.pieces[this.selected], ...place }];
    this.plate = { ...this.plate, pieces };
    this.selected = pieces.length - 1;
    this.draw();
    return this.plate.is_placed ? this.later() : this.assemble();
  }

  remove(index) {
    const pieces = this.plate.pieces.filter((_, place) => place !== index);
    this.plate = { ...this.plate, pieces };
    this.selected = null;
    this.draw();
    this.later();
  }

  resize() {
    const [width, height] = [this.width, this.height].map(({ input }) => input.value);
    this.plate = { ...this.plate, typed: [width, height] };
    if (this.plate.pieces.length > 0) this.later();
  }

  /** Return the typed size of the sheet, or null. */
  size() {
    const sides = [this.width, this.height].map(({ input }) => numberIn(input.value));
    return sides.includes(null) ? null : sides;
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.assemble(), AFTER_MS);
  }

  /** Have the plate assembled and measured. A newer change makes this answer worthless. */
  async assemble() {
    clearTimeout(this.timer);
    this.asked += 1;
    const own = this.asked;
    const { plate } = this;
    if (plate.pieces.length === 0) {
      this.say("", []);
      this.onlose(plate);
      return;
    }
    this.say(text("pieces.measuring"), []);
    const body = bodyOf(plate.pieces, this.size(), {
      isPlaced: plate.is_placed,
      spacingMm: numberIn(this.spacing.input.value),
      name: text("pieces.name", { count: plate.pieces.length }),
    });
    try {
      const found = await post("/api/plates", body, PATIENCE_MS);
      if (own === this.asked) this.take(found);
    } catch (error) {
      if (own !== this.asked) return;
      if (error instanceof RefusedError && error.status !== BUSY) {
        this.say("", [error.message]);
        this.onlose(plate);
      } else {
        this.timer = setTimeout(() => this.assemble(), AGAIN_MS);
      }
    }
  }

  take(found) {
    const { measure } = found;
    this.plate = {
      ...this.plate,
      pieces: placedAs(this.plate.pieces, measure.pieces),
      sheet: [found.width_mm, found.height_mm],
    };
    const facts = text("pieces.facts", {
      count: measure.pieces.length,
      width: fixed(found.width_mm, 1),
      height: fixed(found.height_mm, 1),
      area_cm2: fixed(found.area_mm2 / 100, 3),
    });
    this.say(facts, []);
    this.draw();
    this.ontake(found, this.plate);
  }

  say(words, wrong) {
    put(this.state, words);
    this.note.say(wrong, "bad");
  }

  titleOf(piece) {
    return piece.name || text("app.unnamed");
  }

  draw() {
    const { pieces, sheet } = this.plate;
    this.picture.show(pieces, this.size() ?? sheet, this.selected);
    const piece = pieces[this.selected];
    mark(this.own, "disabled", piece === undefined);
    put(this.title, piece === undefined ? text("pieces.no_piece") : this.titleOf(piece));
    if (piece === undefined) return;
    const values = [
      [this.x, piece.x_mm],
      [this.y, piece.y_mm],
      [this.degrees, piece.degrees],
    ];
    for (const [{ input }, value] of values) {
      if (document.activeElement !== input) input.value = tidy(value, 5);
      mark(input, "aria-invalid", null);
    }
  }
}
