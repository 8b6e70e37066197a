import assert from "node:assert/strict";
import { test } from "node:test";

import { setPage } from "../doubles/page_double.js";
import { depthsFromThickness, habits, remember } from "../../../../api/page/js/records/gauge_habits.js";

setPage();
const { expectedAt } = await import("../../../../api/page/js/records/tapped_place.js");

test("a thickness gauge shows start less metal left without the tape", () => {
  // 1.2 mm at the start, 1.02 mm read over 0.06 mm of tape: 0.96 left, 0.24 deep.
  assert.deepEqual(depthsFromThickness([1.02, 1.01], 1.2, 0.06), [0.24, 0.25]);
  assert.equal(depthsFromThickness([1.3], 1.2, 0.06), null);
  assert.equal(depthsFromThickness([1.0], null, 0), null);
});

test("the phone remembers gauge, datum and person", () => {
  const store = new Map();
  globalThis.localStorage = { getItem: (n) => store.get(n) ?? null, setItem: (n, v) => store.set(n, v) };
  assert.equal(habits().datum, "metal");
  remember({ datum: "back", step: "0.001", person: "M", gauge: "dial", tape: "0.06" });
  assert.deepEqual(habits(), { datum: "back", step: "0.001", person: "M", gauge: "dial", tape: "0.06" });
  store.set("biteclock.gauge", '{"datum": "moon", "person": 7}');
  assert.deepEqual([habits().datum, habits().person], ["metal", ""]);
  store.set("biteclock.gauge", "no JSON");
  assert.equal(habits().step, "0.01");
});

test("the interval at a place covers all likely evenness", () => {
  const depth = { best: 0.2, low: 0.18, high: 0.22 };
  const found = expectedAt(depth, (evenness) => 1 + evenness, 0.35);
  assert.ok(Math.abs(found.best - 0.27) < 1e-9);
  assert.ok(Math.abs(found.low - 0.18 * 1.1) < 1e-9);
  assert.ok(Math.abs(found.high - 0.22 * 1.65) < 1e-9);
});
