import assert from "node:assert/strict";
import { test } from "node:test";

import { text, textsBelow } from "../../../../api/page/js/base/text.js";
import { TEXTS } from "../../../../api/page/js/base/texts.js";

test("a text without values", () => {
  assert.equal(text("app.pause"), "Pause");
});

test("values fill their places", () => {
  assert.equal(text("frame.depth", { depth_mm: "0.123", more: 1 }), "0.123 mm");
  const values = { depth_mm: "{time}", time: "$& $1" };
  assert.equal(text("frame.depth_and_time", values), "{time} mm, $& $1 left", "values are text");
});

test("one or many", () => {
  assert.equal(text("announcement.minutes", { count: 1 }), "1 minute");
  assert.equal(text("announcement.minutes", { count: 0 }), "0 minutes");
  assert.equal(text("announcement.minutes", { count: 2 }), "2 minutes");
});

test("a missing text hides nothing", () => {
  assert.equal(text("no.such.key"), "no.such.key");
  assert.equal(text("no.such.key", { limit_a: 3 }), "no.such.key, limit_a 3");
  assert.equal(text("toString"), "toString", "no key of every object");
  assert.equal(text("no.such.key", { count: 2 }), "no.such.key, count 2");
});

test("a missing value hides nothing", () => {
  assert.equal(text("frame.depth", { depth: "0.123" }), "frame.depth, depth 0.123");
});

test("texts below a key", () => {
  assert.equal(textsBelow("supply")["constant-voltage"], "constant voltage");
  assert.deepEqual(textsBelow("no.such"), {});
  assert.deepEqual(Object.keys(textsBelow("place")), ["centre", "edge", "small-field"]);
});

test("every text names its values", () => {
  for (const [key, found] of Object.entries(TEXTS)) {
    const names = [...found.matchAll(/\{(\w+)\}/g)].map(([, name]) => name);
    const values = Object.fromEntries(names.map((name) => [name, name.toUpperCase()]));
    assert.equal(text(key, values), found.replace(/\{(\w+)\}/g, (_, name) => name.toUpperCase()));
  }
});
