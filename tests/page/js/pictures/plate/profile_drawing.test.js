import assert from "node:assert/strict";
import { test } from "node:test";

import { profileDrawing } from "../../../../../api/page/js/pictures/plate/profile_drawing.js";

const flat = (lengthMm, depthMm) => [
  { atMm: 0, depthMm: 0 },
  { atMm: lengthMm / 2, depthMm },
  { atMm: lengthMm, depthMm: 0 },
];

test("heights are stretched by a whole number, and it is named", () => {
  assert.equal(profileDrawing(flat(0.6, 0.25), 340, 190).times, 1);
  assert.ok([20, 50].includes(profileDrawing(flat(24, 0.25), 340, 190).times));
});

test("the deepest point lies where the axis says", () => {
  const drawn = profileDrawing(flat(24, 0.25), 340, 190);
  const pxPerMm = (drawn.right - drawn.left) / 24;
  const deepest = Number(/L[\d.]+ ([\d.]+)L/.exec(drawn.path.slice(drawn.path.indexOf("L") + 1))[1]);
  assert.ok(Math.abs(deepest - (drawn.surface + 0.25 * drawn.times * pxPerMm)) < 0.06);
  assert.ok(deepest < drawn.bottom);
  const [zero, one] = drawn.ticksY;
  assert.ok(Math.abs(one.px - zero.px - one.mm * drawn.times * pxPerMm) < 1e-9);
});

test("marks are far enough apart to be read", () => {
  for (const lengthMm of [0.05, 3, 24, 300]) {
    const { ticksX, ticksY } = profileDrawing(flat(lengthMm, 0.25), 340, 190);
    for (const [ticks, gap] of [[ticksX, 55.9], [ticksY, 23.9]]) {
      for (let i = 1; i < ticks.length; i += 1) assert.ok(ticks[i].px - ticks[i - 1].px >= gap);
    }
  }
});
