import assert from "node:assert/strict";
import { test } from "node:test";

import { readField } from "../../../../../api/page/js/pictures/plate/field.js";
import { leftClass, leftColour, paint, shade } from "../../../../../api/page/js/pictures/plate/paint.js";
import { Surface } from "../../../../../api/page/js/pictures/plate/surface.js";
import { fitted } from "../../../../../api/page/js/pictures/plate/view.js";
import { fieldBytes } from "./field_double.js";

const PLATE = { xMm: 0, yMm: 0, widthMm: 10, heightMm: 4 };
const BOX = { width: 200, height: 80 };

function painted(mode, values = {}, thicknessMm = null, turned = {}) {
  const surface = new Surface(readField(fieldBytes()));
  surface.set({ depthMm: 0.25, etchFactor: 1.25, evenness: 0, ...values });
  const bytes = new Uint8ClampedArray(4 * BOX.width * BOX.height);
  paint(bytes, BOX, surface, fitted(PLATE, BOX, turned), mode, thicknessMm);
  return (x, y) => [...bytes.subarray(4 * (y * BOX.width + x), 4 * (y * BOX.width + x) + 3)];
}

test("lines: floor, slope, lost line and surface have their colours", () => {
  const at = painted("lines", { depthMm: 0.4 });
  assert.deepEqual(at(100, 40), [0, 73, 116]);
  assert.deepEqual(at(36, 40), [140, 205, 240]);
  assert.deepEqual(at(10, 40), [247, 247, 242]);
  const lost = new Set([0, 1, 2, 3, 4, 5, 6, 7].map((y) => String(at(165, 40 + y))));
  assert.ok(lost.has("213,94,0") && lost.size > 1, "a pattern, not a colour alone");
});

test("metal left falls into classes, and none is a hole", () => {
  assert.deepEqual([0.8, 0.55, 0.3, 0.1, 0, -0.1].map((mm) => leftClass(mm, 1)), [0, 1, 2, 3, 4, 4]);
  assert.equal(String(painted("left", {}, 0.25)(100, 40)), String(leftColour(4, 100, 40)));
  assert.equal(String(painted("left", {}, 1)(100, 40)), String(leftColour(leftClass(0.75, 1), 100, 40)));
});

test("the light comes from the top left of the screen, however the plate is turned", () => {
  const flat = shade(0, 0, 0);
  assert.ok(shade(1, 0, 0) > flat && shade(0, 1, 0) > flat, "rising away from the light's side");
  assert.ok(shade(-1, 0, 0) < flat);
  assert.ok(shade(0, 0, 1) < flat);
  const [left, right] = [painted("relief")(38, 40)[0], painted("relief")(161, 40)[0]];
  assert.ok(left < right, "the left wall of an opening lies in the shade");
  const flipped = painted("relief", {}, null, { isFlipped: true });
  assert.ok(flipped(38, 40)[0] < flat && flipped(161, 40)[0] > left);
});
