// The sheet with its pieces as a picture: drag a piece with mouse, pen or finger, or select it and
// use the arrow keys.

import { h, mark, svg } from "../../base/dom.js";
import { tidy } from "../../base/numbers.js";
import { text } from "../../base/text.js";
import { extent, middleOf, moved } from "./plate_model.js";
import { pictureOf } from "./piece_pictures.js";

const STEP_MM = 1;
const FINE_STEP_MM = 0.1;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const RIM_MM = 2;

/** on: {select(index), move(index, piece), moved(index), remove(index)}. */
export class SheetPicture {
  constructor(on) {
    this.on = on;
    this.drag = null;
    this.pieces = [];
    this.outline = svg("rect", { class: "sheet", x: 0, y: 0 });
    this.room = svg("g", {});
    this.drawing = svg("svg", { class: "plate-sheet" }, this.outline, this.room);
    this.element = h("div", { role: "group", "aria-label": text("pieces.sheet") }, this.drawing);
    this.shapes = [];
  }

  /** Show pieces on a sheet of [width, height], or as much as they take. */
  show(pieces, sheet, selected) {
    this.pieces = pieces;
    const [width, height] = extent(pieces, sheet);
    mark(this.outline, "width", sheet?.[0] ?? width);
    mark(this.outline, "height", sheet?.[1] ?? height);
    if (this.drag === null) {
      const box = [-RIM_MM, -RIM_MM, width + 2 * RIM_MM, height + 2 * RIM_MM];
      mark(this.drawing, "viewBox", box.join(" "));
    }
    while (this.shapes.length > pieces.length) this.shapes.pop().group.remove();
    while (this.shapes.length < pieces.length) this.add(this.shapes.length);
    pieces.forEach((piece, index) => this.draw(piece, index, index === selected));
  }

  add(index) {
    const shape = {
      body: svg("rect", { class: "piece" }),
      image: svg("image", { x: 0, y: 0 }),
      clip: svg("svg", { preserveAspectRatio: "none" }),
      inner: svg("g", {}),
    };
    shape.clip.append(shape.image);
    shape.inner.append(shape.body, shape.clip);
    shape.group = svg(
      "g",
      {
        tabindex: 0,
        role: "button",
        onpointerdown: (event) => this.begin(event, index),
        onpointermove: (event) => this.follow(event, index),
        onpointerup: () => this.end(index),
        onpointercancel: () => this.end(index),
        onfocus: () => this.on.select(index),
        onkeydown: (event) => this.key(event, index),
      },
      shape.inner,
    );
    this.room.append(shape.group);
    this.shapes.push(shape);
  }

  draw(piece, index, isSelected) {
    const shape = this.shapes[index];
    const [x, y] = middleOf(piece);
    const { width_mm: width, height_mm: height } = piece;
    const turn = `translate(${x} ${y}) rotate(${piece.degrees})`;
    mark(shape.inner, "transform", `${turn} translate(${-width / 2} ${-height / 2})`);
    for (const part of [shape.body, shape.clip]) {
      mark(part, "width", width);
      mark(part, "height", height);
    }
    mark(shape.image, "width", width);
    pictureOf(piece.artwork, (address) => mark(shape.image, "href", address));
    mark(shape.group, "aria-pressed", String(isSelected));
    mark(
      shape.group,
      "aria-label",
      text("pieces.piece_place", {
        name: piece.name || text("app.unnamed"),
        x: tidy(piece.x_mm, 4),
        y: tidy(piece.y_mm, 4),
        degrees: tidy(piece.degrees, 4),
      }),
    );
  }

  /** Return a pointer's place on the sheet, mm. */
  at(event) {
    const place = new DOMPoint(event.clientX, event.clientY);
    const { x, y } = place.matrixTransform(this.drawing.getScreenCTM().inverse());
    return [x, y];
  }

  begin(event, index) {
    const { group } = this.shapes[index];
    event.preventDefault();
    group.focus();
    group.setPointerCapture(event.pointerId);
    this.drag = { index, from: this.at(event), piece: this.pieces[index], hasMoved: false };
  }

  follow(event, index) {
    if (this.drag === null || this.drag.index !== index) return;
    const [x, y] = this.at(event);
    const [x0, y0] = this.drag.from;
    this.drag.hasMoved = true;
    this.on.move(index, moved(this.drag.piece, x - x0, y - y0));
  }

  end(index) {
    const { drag } = this;
    this.drag = null;
    if (drag?.hasMoved) this.on.moved(index);
  }

  key(event, index) {
    const arrow = ARROWS[event.key];
    if (event.key === "Delete") this.on.remove(index);
    if (arrow === undefined) return;
    event.preventDefault();
    const step = event.shiftKey ? FINE_STEP_MM : STEP_MM;
    this.on.move(index, moved(this.pieces[index], arrow[0] * step, arrow[1] * step));
    this.on.moved(index);
  }
}
