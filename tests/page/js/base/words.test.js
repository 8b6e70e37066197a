import assert from "node:assert/strict";
import { test } from "node:test";

import {
  CAUTIONS, FIELDS, metalOf, PLACES, policyOf, reasonOf, REASONS, stateOf, STATES, supplyOf,
} from "../../../../api/page/js/base/words.js";

test("states in words", () => {
  assert.equal(stateOf("running").word, "Running");
  assert.deepEqual(stateOf("unheard of"), { word: "unheard of", line: "" });
  const words = Object.values(STATES).map(({ word }) => word);
  assert.equal(new Set(words).size, words.length);
});

test("only running says on", () => {
  for (const [name, { line }] of Object.entries(STATES)) {
    assert.equal(/Relay on\b/.test(line), name === "running", name);
  }
});

test("reasons in words", () => {
  assert.equal(reasonOf("over_current"), REASONS.over_current);
  assert.equal(reasonOf("some_new_reason"), "some new reason");
  assert.equal(reasonOf(null), null);
});

test("choices in words", () => {
  assert.equal(metalOf("fine-silver"), "fine silver");
  assert.equal(metalOf(null), null);
  assert.equal(supplyOf("constant-voltage"), "constant voltage");
  assert.equal(supplyOf("constant-current"), "constant current");
  assert.match(policyOf("never-deeper"), /surely not passed/);
  assert.match(policyOf("best-estimate"), /best estimate/);
});

test("tables are filled", () => {
  assert.deepEqual(PLACES.map(({ name }) => name), ["centre", "edge", "small-field"]);
  assert.equal(CAUTIONS.length, 8);
  for (const [title, text] of CAUTIONS) assert.ok(title.length > 3 && text.length > 20);
  assert.equal(FIELDS.area_mm2, "the open area");
});
