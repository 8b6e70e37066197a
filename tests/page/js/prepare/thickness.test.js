import assert from "node:assert/strict";
import { test } from "node:test";

import {
  gaugeToMm, mmToGauge, THICKNESS_UNITS, thicknessFromMm, thicknessToMm,
} from "../../../../api/page/js/prepare/thickness.js";

// Brown & Sharpe, that is American wire gauge, in inches. Source: ASTM B258, table 1, from memory.
const INCHES = [
  [-3, 0.46], [0, 0.3249], [10, 0.1019], [16, 0.0508], [18, 0.0403], [20, 0.032], [22, 0.0253],
  [24, 0.0201], [36, 0.005],
];

test("gauge as published", () => {
  for (const [gauge, inch] of INCHES) {
    assert.ok(Math.abs(gaugeToMm(gauge) / 25.4 - inch) <= 0.00005, `${gauge}`);
    assert.ok(Math.abs(mmToGauge(gaugeToMm(gauge)) - gauge) < 1e-9, `${gauge}`);
    assert.equal(thicknessToMm(gauge, "gauge"), gaugeToMm(gauge));
    assert.equal(thicknessFromMm(gaugeToMm(gauge), "gauge"), mmToGauge(gaugeToMm(gauge)));
  }
});

test("mils are thousandths of an inch", () => {
  assert.ok(Math.abs(thicknessToMm(40, "mil") - 1.016) < 1e-12); // an inch is 25.4 mm by definition
  assert.ok(Math.abs(thicknessFromMm(1.016, "mil") - 40) < 1e-12);
  assert.equal(thicknessToMm(1.2, "mm"), 1.2);
  assert.equal(thicknessFromMm(1.2, "mm"), 1.2);
});

test("the gauge has its ends", () => {
  assert.equal(thicknessToMm(-3, "gauge"), gaugeToMm(-3));
  assert.equal(thicknessToMm(44, "gauge"), gaugeToMm(44));
  assert.equal(thicknessToMm(-3.1, "gauge"), null);
  assert.equal(thicknessToMm(44.1, "gauge"), null);
});

test("no thickness stays none", () => {
  for (const { name } of THICKNESS_UNITS) {
    assert.equal(thicknessToMm(null, name), null);
    assert.equal(thicknessFromMm(null, name), null);
  }
  assert.deepEqual(THICKNESS_UNITS.map(({ name }) => name), ["mm", "mil", "gauge"]);
});
