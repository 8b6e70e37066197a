import assert from "node:assert/strict";
import { test } from "node:test";

import { ratiosAt, readField } from "../../../../../api/page/js/pictures/plate/field.js";
import { LOST, OPEN, SLOPE, Surface, WHOLE } from "../../../../../api/page/js/pictures/plate/surface.js";
import { fieldBytes } from "./field_double.js";

const near = (found, wanted, within = 1e-9) =>
  assert.ok(Math.abs(found - wanted) <= within, `${found} for ${wanted}`);

function surface(values = {}, bytes = fieldBytes()) {
  const made = new Surface(readField(bytes));
  made.set({ depthMm: 0.25, etchFactor: 1.25, evenness: 0, ...values });
  return made;
}

test("other bytes are no field", () => {
  assert.throws(() => readField(fieldBytes({ word: "SOMETHIN" })));
  assert.throws(() => readField(new ArrayBuffer(4)));
  assert.throws(() => readField(fieldBytes().slice(0, -2)));
});

test("floor, quarter ellipse and surface", () => {
  const made = surface();
  assert.deepEqual(made.at(5, 2), { kind: OPEN, depthMm: 0.25, localMm: 0.25 });
  // The undercut is 0.25 / 1.25 = 0.2 mm; at half of it the depth is 0.25 * sqrt(0.75).
  const slope = made.at(1.9, 2);
  assert.equal(slope.kind, SLOPE);
  near(slope.depthMm, 0.25 * Math.sqrt(0.75), 1e-3);
  assert.deepEqual(made.at(1.7, 2), { kind: WHOLE, depthMm: 0, localMm: 0.25 });
  assert.equal(made.at(-0.1, 2).depthMm, 0);
});

test("a line is lost when two undercuts meet", () => {
  assert.equal(surface({ depthMm: 0.25 }).at(8.3, 2).kind, WHOLE);
  // 0.4 / 1.25 = 0.32 mm a side, and the line is 0.6 mm wide.
  const lost = surface({ depthMm: 0.4 }).at(8.275, 2);
  assert.equal(lost.kind, LOST);
  near(lost.depthMm, 0.4 * Math.sqrt(1 - (0.275 / 0.32) ** 2), 0.01);
});

test("the depth follows the ratio over that of the middle", () => {
  const ratios = [() => 1, (column) => (column < 15 ? 0.8 : 1.6), (column) => (column < 15 ? 0.5 : 3)];
  const bytes = fieldBytes({ ratios });
  near(surface({ evenness: 0.5 }, bytes).at(8.85, 2).localMm, 0.5, 1e-3);
  near(surface({ evenness: 0.5 }, bytes).at(5, 2).localMm, 0.25, 1e-4);
  near(surface({ evenness: 0.75 }, bytes).at(8.85, 2).localMm, 0.25 * (2 + 6) / 2, 2e-3);
  near(surface({ evenness: null }, bytes).at(8.85, 2).localMm, 0.5, 1e-3);
  near(surface({}, bytes).ratioFor({ x: 8.85, y: 2 }, 1), 6, 0.01);
  assert.equal(ratiosAt(readField(bytes), 0)[0], 1);
});

test("a profile has its length and its ellipse", () => {
  const points = surface().profile({ x: 1, y: 2 }, { x: 3, y: 2 }, 201);
  assert.equal(points.length, 201);
  near(points.at(-1).atMm, 2);
  assert.equal(points[0].depthMm, 0);
  near(points[90].depthMm, 0.25 * Math.sqrt(0.75), 2e-3);
  near(points.at(-1).depthMm, 0.25);
});
