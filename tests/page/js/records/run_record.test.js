import assert from "node:assert/strict";
import { test } from "node:test";

import { runFacts } from "../../../../api/page/js/records/run_record.js";

const RUN = {
  state: "finished", reason: null, started_at_utc: "2031-03-04T10:00:00Z",
  on_time_s: 600.4, charge_coulombs: 1801.2, uncertain_charge_coulombs: 0.04,
};

const facts = (changes) => Object.fromEntries(runFacts({ run: { ...RUN, ...changes } }));

test("figures by their names", () => {
  const shown = facts({});
  assert.equal(shown["Etching time"], "10:00");
  assert.equal(shown.Charge, "1801\u00a0C");
  assert.equal(shown["Possibly not counted"], "up to 0.0\u00a0C");
});

test("nothing uncounted, nothing shown", () => {
  assert.equal(facts({ uncertain_charge_coulombs: 0 })["Possibly not counted"], null);
  assert.equal(facts({ uncertain_charge_coulombs: null })["Possibly not counted"], null);
});
