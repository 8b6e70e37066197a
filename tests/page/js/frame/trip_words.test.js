import assert from "node:assert/strict";
import { test } from "node:test";

import { tripWords } from "../../../../api/page/js/frame/trip_words.js";

test("value and limit with their unit", () => {
  const text = "Current flows backwards: -3.412 A, limit 3.000 A. Swap the leads. Then go on.";
  assert.deepEqual(tripWords(text), {
    what: "Current flows backwards", value: "-3.412", limit: "3.000", unit: "A",
    todo: "Swap the leads. Then go on.",
  });
});

test("a value alone", () => {
  assert.deepEqual(tripWords("The range ends: 12.000 A. Look."), {
    what: "The range ends", value: "12.000", limit: null, unit: "A", todo: "Look.",
  });
});

test("no value at all", () => {
  assert.deepEqual(tripWords("Remote I/O error. Look at the wires."), {
    what: "Remote I/O error", value: null, limit: null, unit: null, todo: "Look at the wires.",
  });
  const bare = { value: null, limit: null, unit: null, todo: "" };
  assert.deepEqual(tripWords("Off"), { what: "Off", ...bare });
  assert.deepEqual(tripWords(null), { what: "", ...bare });
});
