// The cross-section of the plate: sheet, resist, the floor, the undercut below the edge.

import { h, mark, put, svg, uniqueId } from "../base/dom.js";
import { fixed } from "../base/numbers.js";
import { text } from "../base/text.js";
import { metalPath, openingOf, parted, resistPath, scaleBar, scaleOf } from "./section_geometry.js";

const HEIGHT = 208;
const BATH_TOP = 4;

/**
 * A figure that draws a plate, as wide as there is room or `width` pixels wide. floor: "now",
 * "planned" or "reached". show(plate, depth): plate as in section_geometry, depth {best, low, high}
 * in mm or null.
 */
export class Section {
  constructor({ floor = "now", width = null } = {}) {
    this.floor = floor;
    this.parts = {};
    this.drawing = svg("svg", {
      class: "section",
      height: HEIGHT,
      width: "100%",
      "aria-hidden": "true",
    });
    this.caption = h("figcaption", { class: "quiet" });
    this.element = h("figure", { class: "section-figure" }, this.drawing, this.caption);
    this.plate = null;
    this.depth = null;
    this.width = width ?? 0;
    this.drawn = "";
    this.build();
    if (width !== null) {
      mark(this.drawing, "viewBox", `0 0 ${width} ${HEIGHT}`);
      mark(this.drawing, "height", null);
    } else {
      new ResizeObserver(([entry]) => {
        this.width = Math.round(entry.contentRect.width);
        this.draw();
      }).observe(this.drawing);
    }
  }

  build() {
    const hatch = uniqueId("hatch");
    const pattern = svg(
      "pattern",
      {
        id: hatch,
        width: 9,
        height: 9,
        patternUnits: "userSpaceOnUse",
        patternTransform: "rotate(45)",
      },
      svg("rect", { width: 9, height: 9, class: "metal-ground" }),
      svg("line", { x1: 0, y1: 0, x2: 0, y2: 9, class: "metal-line" }),
    );
    const make = (name, tag, attributes = {}) => {
      this.parts[name] = svg(tag, { class: `section-${name}`, ...attributes });
      return this.parts[name];
    };
    this.drawing.append(
      svg("defs", {}, pattern),
      make("bath", "rect", { x: 0, y: BATH_TOP }),
      make("metal", "path", { fill: `url(#${hatch})` }),
      make("likely", "rect"),
      make("resist", "path"),
      make("gap-open", "path"),
      make("break-open", "path"),
      make("gap-sheet", "path"),
      make("break-sheet", "path"),
      make("target", "line"),
      make("floor", "line"),
      make("to-target", "line"),
      make("to-floor", "line"),
      make("floor-text", "text"),
      make("target-text", "text"),
      make("bar", "path"),
      make("bar-text", "text"),
    );
  }

  show(plate, depth) {
    this.plate = plate;
    this.depth = depth ?? { best: 0, low: null, high: null };
    this.draw();
  }

  draw() {
    const { plate, depth, width } = this;
    if (plate === null || width === 0) return;
    const scale = scaleOf(plate, HEIGHT);
    const px = (mm) => (mm * scale.pxPerMm).toFixed(1);
    const depths = [depth.best, depth.low ?? 0, depth.high ?? 0].map(px);
    const key = [width, ...depths, JSON.stringify(plate)].join();
    if (key === this.drawn) return;
    this.drawn = key;
    this.place(plate, depth, scale, openingOf(plate, scale.pxPerMm, width));
    this.explain(plate, depth);
  }

  place(plate, depth, scale, opening) {
    const { pxPerMm, surface, back, isSheetBroken } = scale;
    const { left, right, room } = opening;
    const film = Math.max(2, plate.filmMm * pxPerMm);
    const at = (mm) => surface + mm * pxPerMm;
    const bottom = back + (isSheetBroken ? 0 : film);
    this.set("bath", { width: room, height: bottom - BATH_TOP });
    this.set("metal", { d: metalPath(opening, scale, plate, depth.best) });
    this.set("resist", { d: resistPath(opening, scale, plate, film) });
    const [low, high] = [depth.low ?? depth.best, depth.high ?? depth.best];
    const height = Math.max(0, at(high) - at(low));
    this.set("likely", { x: left, y: at(low), width: right - left, height });
    this.set("floor", { x1: left, x2: right, y1: at(depth.best), y2: at(depth.best) });
    this.set("target", { x1: left, x2: right, y1: at(plate.targetMm), y2: at(plate.targetMm) });
    this.break("open", opening.isOpeningBroken, (left + right) / 2, BATH_TOP, bottom);
    this.break("sheet", isSheetBroken, bottom - 4, 0, room);
    this.label(depth, plate, at, opening);
    const bar = scaleBar(pxPerMm, 110);
    this.set("bar", { d: `M${room + 14} ${HEIGHT - 8}v-6m0 3h${bar.px.toFixed(1)}m0 -3v6` });
    this.write("bar-text", text("section.bar", { length_mm: bar.mm }), room + 14, HEIGHT - 20);
  }

  /** Draw where the view is broken: two lines, and nothing between them. */
  break(name, isBroken, where, from, to) {
    const isUpright = name === "open";
    this.set(`gap-${name}`, { d: isBroken ? gapPath(where, from, to, isUpright) : "" });
    this.set(`break-${name}`, { d: isBroken ? breakPath(where, from, to, isUpright) : "" });
  }

  label(depth, plate, at, { right, room }) {
    const [floorY, targetY] = parted(at(depth.best), at(plate.targetMm), 24);
    this.set("to-floor", { x1: right, y1: at(depth.best), x2: room + 10, y2: floorY });
    this.set("to-target", { x1: right, y1: at(plate.targetMm), x2: room + 10, y2: targetY });
    const floor = text(`section.${this.floor}`, { depth_mm: fixed(depth.best, 2) });
    const target = text("section.wanted", { depth_mm: fixed(plate.targetMm, 2) });
    this.write("floor-text", floor, room + 14, floorY + 5);
    this.write("target-text", target, room + 14, targetY + 5);
  }

  explain(plate, depth) {
    const sheet =
      plate.thicknessMm === null
        ? text("section.sheet_unknown")
        : text("section.sheet", { thickness_mm: fixed(plate.thicknessMm, 2) });
    const opening =
      plate.openingMm === null
        ? text("section.opening_unknown")
        : text("section.opening", { width_mm: fixed(plate.openingMm, 2) });
    const undercut_mm = fixed(depth.best / plate.etchFactor, 2);
    put(this.caption, text("section.caption", { sheet, opening, undercut_mm }));
  }

  set(name, attributes) {
    for (const [attribute, value] of Object.entries(attributes)) {
      mark(this.parts[name], attribute, typeof value === "number" ? value.toFixed(1) : value);
    }
  }

  write(name, words, x, y) {
    this.set(name, { x, y });
    put(this.parts[name], words);
  }
}

function zigzag(where, from, to, isUpright) {
  const middle = (from + to) / 2;
  const points = [
    [0, from],
    [0, middle - 7],
    [5, middle - 3],
    [-5, middle + 3],
    [0, middle + 7],
    [0, to],
  ];
  return points.map(([a, b]) => (isUpright ? [where + a, b] : [b, where + a]));
}

const pathOf = (points) =>
  points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");

function gapPath(where, from, to, isUpright) {
  const there = zigzag(where - 3, from, to, isUpright);
  const back = zigzag(where + 3, from, to, isUpright).reverse();
  return `${pathOf([...there, ...back])}Z`;
}

/** Return the two lines of a broken view, each with one zigzag in its middle. */
function breakPath(where, from, to, isUpright) {
  const line = (at) => pathOf(zigzag(at, from, to, isUpright));
  return line(where - 3) + line(where + 3);
}
