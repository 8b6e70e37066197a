import assert from "node:assert/strict";
import { test } from "node:test";

import {
  meanOpeningMm, metalPath, openingOf, parted, plateOf, resistPath, scaleBar, scaleOf,
} from "../../../../api/page/js/pictures/section_geometry.js";

const PLATE = {
  thicknessMm: 1.2, filmMm: 0.045, etchFactor: 1.25, openingMm: 2.2, targetMm: 0.25, sides: 1,
};
const HEIGHT = 208;
const near = (found, wanted, within = 1e-9) =>
  assert.ok(Math.abs(found - wanted) <= within, `${found} for ${wanted}`);

test("the opening is twice area over edge", () => {
  // A long slot, 2 mm wide, of length L: area 2 L, edges 2 L.
  assert.equal(meanOpeningMm(200, 200), 2);
  assert.equal(meanOpeningMm(200, 0), null);
  assert.equal(meanOpeningMm(200, null), null);
});

test("a plan as a plate", () => {
  const request = { thickness_mm: 1.2, film_mm: 0.03, area_mm2: 712, edge_mm: 640, sides: 2 };
  const plan = { request, etch_factor: 1.4, target_depth_mm: 0.3 };
  assert.deepEqual(plateOf(plan), {
    thicknessMm: 1.2, filmMm: 0.03, etchFactor: 1.4, openingMm: 2.225, targetMm: 0.3, sides: 2,
  });
  assert.equal(plateOf({ ...plan, request: { ...request, film_mm: null } }).filmMm, 0.045);
});

test("the sheet is to scale", () => {
  const scale = scaleOf(PLATE, HEIGHT);
  near(scale.back - scale.surface, 1.2 * scale.pxPerMm);
  near(scale.surface, 30 + 0.045 * scale.pxPerMm);
  assert.equal(scale.isSheetBroken, false);
  // It fills the height between the bath (30 px) and the foot (14 px), films and all.
  near(scale.pxPerMm, (HEIGHT - 44) / (1.2 + 0.09));
});

test("a thin sheet is not blown up", () => {
  // At most 2.2 times what shows the target in 24 px.
  const { pxPerMm, isSheetBroken } = scaleOf({ ...PLATE, thicknessMm: 0.3 }, HEIGHT);
  near(pxPerMm, 2.2 * (24 / 0.25));
  assert.equal(isSheetBroken, false);
});

test("a thick sheet is broken", () => {
  for (const thicknessMm of [12, null]) {
    const scale = scaleOf({ ...PLATE, thicknessMm }, HEIGHT);
    assert.equal(scale.isSheetBroken, true);
    near(scale.pxPerMm, 24 / 0.25);
    assert.equal(scale.back, HEIGHT - 14);
    near(scale.surface, 30 + 0.045 * scale.pxPerMm);
  }
  const justMm = (HEIGHT - 44) / 96 - 0.09;
  const isBroken = (thicknessMm) => scaleOf({ ...PLATE, thicknessMm }, HEIGHT).isSheetBroken;
  assert.deepEqual([isBroken(justMm - 0.001), isBroken(justMm + 0.001)], [false, true]);
});

test("a low drawing still holds the target twice", () => {
  const { pxPerMm } = scaleOf({ ...PLATE, thicknessMm: null }, 84);
  near(pxPerMm, 40 / (2 * 0.25 + 0.045));
});

test("the opening is to scale", () => {
  const opening = openingOf(PLATE, 127, 900);
  near(opening.right - opening.left, 2.2 * 127);
  assert.equal(opening.room, 900 - 132);
  near(opening.left, opening.room - opening.right);
  assert.equal(opening.isOpeningBroken, false);
});

test("a wide opening is broken", () => {
  for (const openingMm of [60, null]) {
    const { left, right, room, isOpeningBroken } = openingOf({ ...PLATE, openingMm }, 110, 600);
    assert.equal(isOpeningBroken, true);
    near(left, 0.7 * 110, 1e-9); // the resist beside it is shown 0.7 mm wide
    near(right, room - 0.7 * 110);
  }
});

test("little scale, wide resist", () => {
  const { left, room } = openingOf({ ...PLATE, openingMm: null }, 10, 600);
  near(left, 0.16 * room);
});

test("an opening that just fits", () => {
  const wide = 468 - 2 * 77;
  const isBroken = (openingMm) => openingOf({ ...PLATE, openingMm }, 110, 600).isOpeningBroken;
  assert.deepEqual([isBroken(wide / 110 - 1e-6), isBroken(wide / 110 + 1e-6)], [false, true]);
});

test("a narrow screen keeps an opening", () => {
  const { left, right } = openingOf({ ...PLATE, openingMm: null }, 110, 300);
  near(right - left, 44);
});

/** Return the commands of a path: [[letter, ...numbers]]. */
const commandsOf = (path) =>
  [...path.matchAll(/([A-Za-z])([^A-Za-z]*)/g)].map(([, letter, rest]) =>
    [letter, ...rest.trim().split(/\s+/).filter(Boolean).map(Number)]);

const OPENING = { left: 100, right: 200, room: 300 };
const SCALE = { pxPerMm: 100, surface: 40, back: 160, isSheetBroken: false };

test("the front is a quarter ellipse", () => {
  // Undercut = depth / etch factor: 0.2 mm deep, 0.16 mm under the resist.
  assert.deepEqual(commandsOf(metalPath(OPENING, SCALE, PLATE, 0.2)), [
    ["M", 0, 40], ["H", 84], ["A", 16, 20, 0, 0, 0, 100, 60], ["H", 200],
    ["A", 16, 20, 0, 0, 0, 216, 40], ["H", 300], ["V", 160], ["H", 0], ["Z"],
  ]);
});

test("two sides are etched alike", () => {
  assert.deepEqual(commandsOf(metalPath(OPENING, SCALE, { ...PLATE, sides: 2 }, 0.2)).slice(7), [
    ["H", 216], ["A", 16, 20, 0, 0, 0, 200, 140], ["H", 100],
    ["A", 16, 20, 0, 0, 0, 84, 160], ["H", 0], ["Z"],
  ]);
  const broken = metalPath(OPENING, { ...SCALE, isSheetBroken: true }, { ...PLATE, sides: 2 }, 0.2);
  assert.equal(broken.match(/A/g).length, 2);
});

test("without depth the sheet is whole", () => {
  const whole = [["M", 0, 40], ["H", 300], ["V", 160], ["H", 0], ["Z"]];
  assert.deepEqual(commandsOf(metalPath(OPENING, SCALE, PLATE, 0)), whole);
  assert.deepEqual(commandsOf(metalPath(OPENING, SCALE, PLATE, 0.00049)), whole);
  const begun = metalPath(OPENING, { ...SCALE, pxPerMm: 1 }, PLATE, 0.05);
  assert.equal(begun.match(/A/g).length, 2);
});

test("the resist is open over bare metal", () => {
  const covered = [["M", 0, 160], ["H", 300], ["v", 5], ["H", 0], ["Z"]];
  const open = (y) => [
    ["M", 0, y], ["H", 100], ["v", 5], ["H", 0], ["Z"],
    ["M", 200, y], ["H", 300], ["v", 5], ["H", 200], ["Z"],
  ];
  const path = (scale, plate) => commandsOf(resistPath(OPENING, scale, plate, 5));
  assert.deepEqual(path(SCALE, PLATE), [...open(35), ...covered]);
  assert.deepEqual(path(SCALE, { ...PLATE, sides: 2 }), [...open(35), ...open(160)]);
  assert.deepEqual(path({ ...SCALE, isSheetBroken: true }, PLATE), open(35));
});

test("the scale bar is as long as it says", () => {
  for (const pxPerMm of [3, 22, 96, 127.13, 211, 900, 5000]) {
    const { mm, px } = scaleBar(pxPerMm, 110);
    near(px, mm * pxPerMm);
    assert.ok(px <= 110);
  }
  // 1-2-5 steps, the longest that fits.
  const lengths = [22, 55, 56, 110, 111, 220, 550, 1100, 2200, 5500, 11000, 99999];
  const found = lengths.map((pxPerMm) => scaleBar(pxPerMm, 110).mm);
  assert.deepEqual(found, [5, 2, 1, 1, 0.5, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.01]);
});

test("labels keep their distance", () => {
  assert.deepEqual(parted(10, 50, 24), [10, 50]);
  assert.deepEqual(parted(10, 34, 24), [10, 34]);
  assert.deepEqual(parted(40, 50, 24), [33, 57]);
  assert.deepEqual(parted(50, 40, 24), [57, 33]);
  assert.deepEqual(parted(40, 40, 24), [28, 52]);
});
