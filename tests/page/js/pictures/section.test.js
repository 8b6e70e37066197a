import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { Section } from "../../../../api/page/js/pictures/section.js";
import {
  metalPath, openingOf, resistPath, scaleOf,
} from "../../../../api/page/js/pictures/section_geometry.js";
import { setPage } from "../doubles/page_double.js";

const PLATE = {
  thicknessMm: 1.2, filmMm: 0.045, etchFactor: 1.25, openingMm: 2.2, targetMm: 0.25, sides: 1,
};
const DEPTH = { best: 0.1, low: 0.08, high: 0.14 };
const HEIGHT = 208;
const WIDTH = 900;

let resized;

beforeEach(() => {
  setPage();
  globalThis.ResizeObserver = class {
    constructor(listener) {
      resized = (width) => listener([{ contentRect: { width } }]);
    }

    observe() {}
  };
});

function drawn(plate = PLATE, depth = DEPTH, width = WIDTH, options = {}) {
  const section = new Section({ width, ...options });
  section.show(plate, depth);
  const part = (name) => section.drawing.querySelector(`.section-${name}`);
  const number = (name, of) => Number(part(name).getAttribute(of));
  const scale = scaleOf(plate, HEIGHT);
  return { section, part, number, scale, opening: openingOf(plate, scale.pxPerMm, width) };
}

const near = (found, wanted) => assert.ok(Math.abs(found - wanted) <= 0.051, `${found}, ${wanted}`);

test("floor and target lie at their depth", () => {
  const { number, scale, opening } = drawn();
  const mm = (y) => (y - scale.surface) / scale.pxPerMm;
  for (const [name, depth] of [["floor", 0.1], ["target", 0.25]]) {
    for (const end of ["y1", "y2"]) {
      assert.ok(Math.abs(mm(number(name, end)) - depth) < 0.0005, `${name} ${end}`);
    }
    near(number(name, "x1"), opening.left);
    near(number(name, "x2"), opening.right);
  }
});

test("the interval lies between its bounds", () => {
  const { number, scale, opening } = drawn();
  near(number("likely", "y"), scale.surface + 0.08 * scale.pxPerMm);
  near(number("likely", "height"), 0.06 * scale.pxPerMm);
  near(number("likely", "x"), opening.left);
  near(number("likely", "width"), opening.right - opening.left);
});

test("without an interval nothing is claimed", () => {
  const { number, scale } = drawn(PLATE, { best: 0.1, low: null, high: null });
  near(number("likely", "y"), scale.surface + 0.1 * scale.pxPerMm);
  assert.equal(number("likely", "height"), 0);
  assert.equal(drawn(PLATE, { best: 0.1, low: 0.2, high: 0.1 }).number("likely", "height"), 0);
});

test("metal and resist as computed", () => {
  const { part, scale, opening, number } = drawn();
  assert.equal(part("metal").getAttribute("d"), metalPath(opening, scale, PLATE, 0.1));
  const film = 0.045 * scale.pxPerMm;
  assert.equal(part("resist").getAttribute("d"), resistPath(opening, scale, PLATE, film));
  near(number("bath", "height"), scale.back + film - 4);
  near(number("bath", "width"), WIDTH - 132);
  assert.deepEqual([number("bath", "x"), number("bath", "y")], [0, 4]);
});

test("a thin film can be seen", () => {
  const plate = { ...PLATE, filmMm: 0.001 };
  const { part, scale, opening } = drawn(plate);
  assert.equal(part("resist").getAttribute("d"), resistPath(opening, scale, plate, 2));
});

test("the scale bar is as long as it says", () => {
  for (const plate of [PLATE, { ...PLATE, thicknessMm: 6 }, { ...PLATE, targetMm: 0.05 }]) {
    const { part, scale } = drawn(plate);
    const [, x, y, px] = /^M([\d.]+) ([\d.]+)v-6m0 3h([\d.]+)m0 -3v6$/.exec(
      part("bar").getAttribute("d"),
    );
    const mm = Number(/^([\d.]+) mm$/.exec(part("bar-text").textContent)[1]);
    near(Number(px), mm * scale.pxPerMm);
    assert.deepEqual([Number(x), Number(y)], [WIDTH - 132 + 14, HEIGHT - 8]);
    assert.ok(Number(px) <= 110);
    assert.ok(mm > 0);
  }
});

test("numbers beside their lines", () => {
  const { part, number, scale } = drawn();
  assert.equal(part("floor-text").textContent, "0.10 now");
  assert.equal(part("target-text").textContent, "0.25 wanted");
  const [floor, target] = [0.1, 0.25].map((mm) => scale.surface + mm * scale.pxPerMm);
  const middle = (floor + target) / 2;
  assert.ok(target - floor < 24, "they are near each other");
  near(number("floor-text", "y"), middle - 12 + 5);
  near(number("target-text", "y"), middle + 12 + 5);
  near(number("to-floor", "y1"), floor);
  near(number("to-floor", "y2"), middle - 12);
  near(number("to-target", "y1"), target);
  near(number("to-target", "y2"), middle + 12);
  for (const name of ["floor-text", "target-text", "bar-text"]) near(number(name, "x"), 768 + 14);
  near(number("bar-text", "y"), HEIGHT - 20);
});

test("leaders go from the line to its number", () => {
  const { number, opening } = drawn();
  for (const name of ["to-floor", "to-target"]) {
    near(number(name, "x1"), opening.right);
    near(number(name, "x2"), opening.room + 10);
  }
});

test("the floor has its name", () => {
  const { part } = drawn(PLATE, DEPTH, WIDTH, { floor: "reached" });
  assert.equal(part("floor-text").textContent, "0.10 reached");
});

test("the caption gives the measures", () => {
  assert.equal(drawn().section.caption.textContent,
    "To scale: sheet 1.20 mm, mean opening 2.20 mm, undercut 0.08 mm a side.");
  const unknown = drawn({ ...PLATE, thicknessMm: null, openingMm: null });
  assert.equal(unknown.section.caption.textContent,
    "To scale: sheet thickness unknown, opening width unknown, undercut 0.08 mm a side.");
});

const points = (d) =>
  [...d.matchAll(/[ML]([\d.-]+) ([\d.-]+)/g)].map(([, x, y]) => [Number(x), Number(y)]);

test("a broken view says so", () => {
  const whole = drawn();
  for (const name of ["gap-open", "break-open", "gap-sheet", "break-sheet"]) {
    assert.equal(whole.part(name).getAttribute("d"), "");
  }
  const plate = { ...PLATE, thicknessMm: null, openingMm: null };
  const { part, scale, opening } = drawn(plate);
  const middle = (opening.left + opening.right) / 2;
  const open = points(part("break-open").getAttribute("d"));
  assert.equal(open.length, 12, "two lines with a zigzag");
  near(open[0][0], middle - 3);
  near(open[6][0], middle + 3);
  near(open[0][1], 4);
  near(open[5][1], scale.back);
  const sheet = points(part("break-sheet").getAttribute("d"));
  near(sheet[0][1], scale.back - 4 - 3);
  near(sheet[6][1], scale.back - 4 + 3);
  assert.deepEqual([sheet[0][0], sheet[5][0]], [0, opening.room]);
});

test("the gap lies between the lines", () => {
  const { part } = drawn({ ...PLATE, openingMm: null });
  const gap = part("gap-open").getAttribute("d");
  const lines = points(part("break-open").getAttribute("d"));
  assert.match(gap, /Z$/);
  assert.deepEqual(points(gap), [...lines.slice(0, 6), ...lines.slice(6).reverse()]);
});

test("the zigzag", () => {
  const { part, scale } = drawn({ ...PLATE, openingMm: null });
  const [first, ...rest] = points(part("break-open").getAttribute("d")).slice(0, 6);
  const bottom = scale.back + 0.045 * scale.pxPerMm;
  const middle = (4 + bottom) / 2;
  const shifts = rest.map(([x, y]) => [x - first[0], y - middle]);
  for (const [i, wanted] of [[0, -7], [5, -3], [-5, 3], [0, 7], [0, bottom - middle]].entries()) {
    assert.ok(Math.abs(shifts[i][0] - wanted[0]) < 0.11, `${shifts[i]}`);
    near(shifts[i][1], wanted[1]);
  }
});

test("a width that is given", () => {
  const { section } = drawn();
  assert.equal(section.drawing.getAttribute("viewBox"), "0 0 900 208");
  assert.equal(section.drawing.getAttribute("height"), null);
});

test("a width that is found", () => {
  const section = new Section();
  section.show(PLATE, DEPTH);
  const metal = section.drawing.querySelector(".section-metal");
  assert.equal(metal.getAttribute("d"), null, "no room yet");
  assert.equal(section.drawing.getAttribute("height"), "208");
  assert.equal(section.drawing.getAttribute("width"), "100%");
  resized(500.4);
  assert.match(metal.getAttribute("d"), /H368\.0/);
  resized(600);
  assert.match(metal.getAttribute("d"), /H468\.0/);
});

test("a plate without depth is whole", () => {
  const { section, number, scale } = drawn(PLATE, null);
  near(number("floor", "y1"), scale.surface);
  assert.match(section.caption.textContent, /undercut 0\.00 mm/);
});

test("drawn again when something moves", () => {
  const { section, part } = drawn();
  let writes = 0;
  const metal = part("metal");
  const real = metal.setAttribute.bind(metal);
  metal.setAttribute = (...words) => {
    writes += 1;
    real(...words);
  };
  section.show(PLATE, { ...DEPTH });
  assert.equal(writes, 0);
  section.show(PLATE, { ...DEPTH, best: 0.12 });
  assert.equal(writes, 1);
  for (const moved of [{ low: 0.06 }, { high: 0.2 }]) {
    const before = part("likely").getAttribute("y") + part("likely").getAttribute("height");
    section.show(PLATE, { ...DEPTH, best: 0.12, ...moved });
    const after = part("likely").getAttribute("y") + part("likely").getAttribute("height");
    assert.notEqual(after, before);
  }
});

test("the metal is hatched by its own pattern", () => {
  const [first, second] = [drawn(), drawn()];
  for (const { section, part } of [first, second]) {
    const { id } = section.drawing.querySelector("pattern");
    assert.equal(part("metal").getAttribute("fill"), `url(#${id})`);
  }
  const [one, other] = [first, second].map(({ part }) => part("metal").getAttribute("fill"));
  assert.notEqual(one, other);
});
