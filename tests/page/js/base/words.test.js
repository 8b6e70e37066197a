import assert from "node:assert/strict";
import { test } from "node:test";

import {
  CAUTIONS, metalOf, PLACES, policyOf, stateOf, STATES, supplyOf,
} from "../../../../api/page/js/base/words.js";

test("states in words", () => {
  assert.equal(stateOf("running"), "Running");
  assert.equal(stateOf("unheard of"), "unheard of");
  assert.equal(new Set(STATES.map(stateOf)).size, STATES.length);
});

test("choices in words", () => {
  assert.equal(metalOf("fine-silver"), "fine silver");
  assert.equal(metalOf(null), null);
  assert.equal(supplyOf("constant-voltage"), "constant voltage");
  assert.equal(supplyOf("constant-current"), "constant current");
  assert.match(policyOf("never-deeper"), /upper bound/);
  assert.match(policyOf("best-estimate"), /best estimate/);
});

test("tables are filled", () => {
  assert.deepEqual(PLACES.map(({ name }) => name), ["centre", "edge", "small-field"]);
  assert.equal(CAUTIONS.length, 10);
  for (const [title, text] of CAUTIONS) assert.ok(title.length > 3 && text.length > 20);
});
