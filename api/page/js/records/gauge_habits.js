// What this phone remembers of gauging, and the depth that a thickness gauge shows. Pure but for
// what the browser keeps.

import { keep, kept } from "../base/kept.js";

const NAME = "biteclock.gauge";
const FIRST = { datum: "metal", step: "0.01", person: "", gauge: "", tape: "0" };
const DATUMS = ["metal", "resist", "back"];

/** Return what was used last: {datum, step, person, gauge, tape}, all texts. */
export function habits() {
  let found;
  try {
    found = JSON.parse(kept(NAME) ?? "{}");
  } catch {
    return { ...FIRST };
  }
  const known = Object.entries(FIRST).map(([name, first]) => {
    const value = found?.[name];
    return [name, typeof value === "string" && value.length <= 40 ? value : first];
  });
  const read = Object.fromEntries(known);
  return { ...read, datum: DATUMS.includes(read.datum) ? read.datum : FIRST.datum };
}

/** Remember them. */
export const remember = (values) => keep(NAME, JSON.stringify(values));

/**
 * Return the depths in mm that a thickness gauge shows at the floor: the sheet's thickness at the
 * start less what is left without the tape on the back. Null when one is not a depth.
 */
export function depthsFromThickness(readMm, startMm, tapeMm) {
  if (startMm === null || tapeMm === null) return null;
  const depths = readMm.map((mm) => Number((startMm - (mm - tapeMm)).toFixed(6)));
  return depths.every((mm) => mm > 0 && mm < startMm) ? depths : null;
}
