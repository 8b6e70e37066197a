// Sheet thickness in mm, thousandths of an inch, or Brown & Sharpe gauge.

import { text } from "../base/text.js";

const MM_PER_INCH = 25.4;

export const THICKNESS_UNITS = [
  { name: "mm", title: "mm" },
  { name: "mil", title: "mil" },
  { name: "gauge", title: text("prepare.sheet.gauge_unit") },
];

/**
 * Return the thickness of a gauge number in mm. ASTM B258: 0.005 inch x 92^((36 - n) / 39). The
 * sizes 00 to 0000 are -1 to -3.
 */
export const gaugeToMm = (gauge) => 0.005 * 92 ** ((36 - gauge) / 39) * MM_PER_INCH;

/** Return the gauge number of a thickness in mm, with a fraction. */
export const mmToGauge = (mm) => 36 - (39 * Math.log(mm / MM_PER_INCH / 0.005)) / Math.log(92);

/** Return a thickness in mm, or null without one. */
export function thicknessToMm(value, unit) {
  if (value === null) return null;
  if (unit === "gauge") return value >= -3 && value <= 44 ? gaugeToMm(value) : null;
  return unit === "mil" ? (value * MM_PER_INCH) / 1000 : value;
}

/** Return a thickness in mm in another unit. */
export function thicknessFromMm(mm, unit) {
  if (mm === null) return null;
  if (unit === "gauge") return mmToGauge(mm);
  return unit === "mil" ? (mm / MM_PER_INCH) * 1000 : mm;
}
