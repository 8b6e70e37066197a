import assert from "node:assert/strict";
import { test } from "node:test";

import { CurveData } from "../../../../api/page/js/pictures/curve_data.js";

const status = (onTimeS, more = {}) => ({
  state: "running", on_time_s: onTimeS, depth_mm: 0.1, depth_low_mm: 0.08, depth_high_mm: 0.13,
  current_a: 2.8, voltage_v: 3.1, ...more,
});

const point = (onTimeS, depth) => ({
  on_time_s: onTimeS, depth_max_mm: depth, current_mean_a: 2.7, voltage_mean_v: 3.2,
});

const columns = ({ minutes, depth, low, high, current, voltage }) =>
  ({ minutes, depth, low, high, current, voltage });

test("each number has its column", () => {
  const data = new CurveData();
  assert.equal(data.follow(status(30)), true);
  assert.deepEqual(columns(data), {
    minutes: [0.5], depth: [0.1], low: [0.08], high: [0.13], current: [2.8], voltage: [3.1],
  });
});

test("at most one point a second", () => {
  const data = new CurveData();
  assert.equal(data.follow(status(0)), true, "the first second counts");
  assert.equal(data.follow(status(0.95)), false);
  assert.equal(data.follow(status(1)), true);
  assert.equal(data.follow(status(1.5)), false);
  assert.deepEqual(data.minutes, [0, 1 / 60]);
});

test("only a running bench draws", () => {
  const data = new CurveData();
  assert.equal(data.follow(status(5, { state: "paused" })), false);
  assert.equal(data.follow(status(null)), false);
  assert.deepEqual(data.minutes, []);
});

test("the logbook comes before", () => {
  const data = new CurveData();
  data.follow(status(50, { depth_mm: 0.05 }));
  data.follow(status(60, { depth_mm: 0.06 }));
  data.follow(status(72, { depth_mm: 0.07 }));
  data.take([point(0, 0), point(30, 0.03), point(60, 0.061)]);
  assert.deepEqual(columns(data), {
    minutes: [0, 0.5, 1, 1.2], depth: [0, 0.03, 0.061, 0.07], low: [null, null, null, 0.08],
    high: [null, null, null, 0.13], current: [2.7, 2.7, 2.7, 2.8], voltage: [3.2, 3.2, 3.2, 3.1],
  });
});

test("an empty logbook keeps live points", () => {
  const data = new CurveData();
  data.follow(status(50));
  data.take([]);
  assert.deepEqual(columns(data), {
    minutes: [50 / 60], depth: [0.1], low: [0.08], high: [0.13], current: [2.8], voltage: [3.1],
  });
  assert.equal(data.follow(status(50.5)), false, "it goes on where it was");
});

test("time never runs back", () => {
  const data = new CurveData();
  data.take([point(10, 0.01), point(10, 0.02), point(5, 0.03)]);
  assert.deepEqual(data.depth, [0.01]);
});

test("a new run begins empty", () => {
  const data = new CurveData();
  data.follow(status(50));
  data.clear();
  assert.deepEqual(columns(data), {
    minutes: [], depth: [], low: [], high: [], current: [], voltage: [],
  });
  assert.equal(data.follow(status(1)), true);
});
