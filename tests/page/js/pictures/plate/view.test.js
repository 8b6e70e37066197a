import assert from "node:assert/strict";
import { test } from "node:test";

import {
  bounded, fitted, panned, toPlate, toScreen, zoomed,
} from "../../../../../api/page/js/pictures/plate/view.js";

const PLATE = { xMm: -2, yMm: 1, widthMm: 60, heightMm: 40 };
const BOX = { width: 390, height: 300 };
const near = (found, wanted, within = 1e-9) =>
  assert.ok(Math.abs(found - wanted) <= within, `${found} for ${wanted}`);
const corner = { x: -2, y: 1 };

test("the whole plate fits, also when it is turned", () => {
  near(fitted(PLATE, BOX).pxPerMm, 6.5);
  near(fitted(PLATE, BOX, { quarter: 1 }).pxPerMm, 5);
  const at = toScreen(fitted(PLATE, BOX), BOX, corner);
  near(at.x, 0);
  near(at.y, 20);
});

test("turned clockwise, the top left corner comes to the top right", () => {
  const at = toScreen(fitted(PLATE, BOX, { quarter: 1 }), BOX, corner);
  near(at.x, 195 + 100);
  near(at.y, 0);
});

test("flipped, left and right are exchanged", () => {
  const at = toScreen(fitted(PLATE, BOX, { isFlipped: true }), BOX, corner);
  near(at.x, 390);
  near(at.y, 20);
});

test("screen and plate are each other's inverse", () => {
  for (const quarter of [0, 1, 2, 3]) {
    for (const isFlipped of [false, true]) {
      const view = { ...fitted(PLATE, BOX, { quarter, isFlipped }), pxPerMm: 17 };
      const place = toPlate(view, BOX, toScreen(view, BOX, { x: 7.25, y: 12.5 }));
      near(place.x, 7.25);
      near(place.y, 12.5);
    }
  }
});

test("a pinch keeps the place under the fingers", () => {
  const view = fitted(PLATE, BOX, { quarter: 3, isFlipped: true });
  const point = { x: 60, y: 200 };
  const before = toPlate(view, BOX, point);
  const larger = zoomed(view, BOX, 3, point, view.pxPerMm);
  near(larger.pxPerMm, 3 * view.pxPerMm);
  const after = toPlate(larger, BOX, point);
  near(after.x, before.x);
  near(after.y, before.y);
  assert.equal(zoomed(view, BOX, 0.1, point, view.pxPerMm).pxPerMm, view.pxPerMm);
});

test("a drag moves the plate with the finger", () => {
  const view = { ...fitted(PLATE, BOX, { quarter: 1, isFlipped: true }), pxPerMm: 30 };
  const place = toPlate(view, BOX, { x: 100, y: 100 });
  const at = toScreen(panned(view, BOX, 25, -40), BOX, place);
  near(at.x, 125);
  near(at.y, 60);
});

test("the plate is never dragged away", () => {
  const lost = bounded({ ...fitted(PLATE, BOX), x: 500, y: -500 }, PLATE);
  assert.deepEqual([lost.x, lost.y], [58, 1]);
});
