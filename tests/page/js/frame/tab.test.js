// The tab's title: the bench's name first, so that two benches can be told apart.

import assert from "node:assert/strict";
import { test } from "node:test";

import { titleOf } from "../../../../api/page/js/frame/tab.js";

const IDLE = { state: "idle", depth_mm: null, target_depth_mm: null };

test("a named bench", () => {
  const named = { status: { ...IDLE, name: "the big bath" }, isFresh: true, silentMs: 0 };
  assert.equal(titleOf(named), "the big bath: idle · biteclock");
});

test("a bench without a name", () => {
  const unnamed = { status: { ...IDLE, name: null }, isFresh: true, silentMs: 0 };
  assert.equal(titleOf(unnamed), "idle · biteclock");
  assert.equal(titleOf({ status: null, isFresh: false, silentMs: null }), "biteclock");
});
