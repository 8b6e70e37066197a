import assert from "node:assert/strict";
import { test } from "node:test";

import {
  bounds, clockwork, fixed, moment, NONE, numberIn, printed, spoken, tidy, timeOfDay, withUnit,
} from "../../../../api/page/js/base/numbers.js";

test("decimals as many as asked", () => {
  assert.equal(fixed(0.2496, 3), "0.250");
  assert.equal(fixed(2, 0), "2");
  assert.equal(fixed(-3.412, 2), "\u22123.41", "with a real minus");
  assert.equal(fixed(-0.004, 2), "0.00", "no minus before nothing");
  assert.equal(fixed(-0.006, 2), "\u22120.01");
  assert.equal(fixed(0, 1), "0.0");
});

test("unknown is a dash", () => {
  for (const unknown of [null, undefined, NaN, Infinity]) assert.equal(fixed(unknown, 2), NONE);
  assert.equal(withUnit(null, 2, "A"), NONE);
  assert.equal(withUnit(2.8, 2, "A"), "2.80\u00a0A");
  const half = { depth_low_mm: 0.199, depth_high_mm: null };
  assert.deepEqual(bounds(half), { low_mm: "0.20", high_mm: NONE });
  const whole = { depth_low_mm: 0.199, depth_high_mm: 0.314 };
  assert.deepEqual(bounds(whole), { low_mm: "0.20", high_mm: "0.31" });
});

test("thousands from five digits", () => {
  // The SI Brochure, 9th edition, 5.4.4: a space between groups of three, not needed for four.
  assert.equal(fixed(1918, 0), "1918");
  assert.equal(fixed(12918.25, 1), "12\u202f918.3");
  assert.equal(fixed(-1234567, 0), "\u22121\u202f234\u202f567");
});

test("seconds as a clock", () => {
  assert.equal(clockwork(0), "0:00");
  assert.equal(clockwork(59.4), "0:59");
  assert.equal(clockwork(59.6), "1:00");
  assert.equal(clockwork(597), "9:57");
  assert.equal(clockwork(3599), "59:59");
  assert.equal(clockwork(3600), "1:00:00");
  assert.equal(clockwork(7385), "2:03:05");
  assert.equal(clockwork(-3), "0:00");
  for (const unknown of [null, undefined, NaN]) assert.equal(clockwork(unknown), NONE);
});

test("seconds in words", () => {
  assert.equal(spoken(0), "0 seconds");
  assert.equal(spoken(1.2), "1 second");
  assert.equal(spoken(74.6), "75 seconds");
  assert.equal(spoken(89), "89 seconds");
  assert.equal(spoken(90), "2 minutes");
  assert.equal(spoken(149), "2 minutes");
  assert.equal(spoken(597), "10 minutes");
  assert.equal(spoken(5369), "89 minutes");
  assert.equal(spoken(5400), "1 hour 30 minutes");
  assert.equal(spoken(7140), "1 hour 59 minutes");
  assert.equal(spoken(7200), "2 hours 0 minutes");
  assert.equal(spoken(9180), "2 hours 33 minutes");
  assert.equal(spoken(null), "an unknown time");
  assert.equal(spoken(Infinity), "an unknown time");
});

test("an instant on the wall", () => {
  const date = new Date(2026, 2, 5, 9, 7);
  assert.match(timeOfDay(date), /^09:07$/);
  assert.match(timeOfDay(new Date(2026, 2, 5, 21, 7)), /^21:07$/);
  const text = moment(date.toISOString());
  assert.match(text, /, 09:07$/);
  assert.match(text, /Mar/);
  assert.match(text, /2026/);
  assert.match(text, /\b5\b/);
});

test("fields by their names", () => {
  assert.equal(printed("current_a is -3 A"), "the current is -3 A");
  assert.equal(printed("pieces is 1.5"), "the number of copies is 1.5");
  assert.equal(printed("piece is too long"), "the name is too long");
  assert.equal(printed("two pieces is fine"), "two pieces is fine");
  assert.equal(printed("rig.current_a and current_ab"), "rig.current_a and current_ab");
  assert.equal(printed("depth_mm over thickness_mm"), "the depth over the thickness");
  assert.equal(printed(null), "");
});

test("units as they are printed", () => {
  assert.equal(
    printed("39 A/dm2, 3 cm2, 191 mm3, 21 degC, 5 m2"),
    "39 A/dm\u00b2, 3 cm\u00b2, 191 mm\u00b3, 21 \u00b0C, 5 m\u00b2",
  );
  assert.equal(printed("2 mm and 23"), "2 mm and 23");
});

test("numbers that are typed", () => {
  assert.equal(numberIn(" 0,25 "), 0.25);
  assert.equal(numberIn(".5"), 0.5);
  assert.equal(numberIn("5."), 5);
  assert.equal(numberIn("\u22123"), -3);
  assert.equal(numberIn("+3"), 3);
  assert.equal(numberIn(0.25), 0.25);
  for (const text of ["", "two", "1e3", "1 000", "1.2.3", ".", "-", "0x10", "3 mm"]) {
    assert.equal(numberIn(text), null, text);
  }
});

test("tidy drops the noise", () => {
  assert.equal(tidy(0.1 + 0.2), "0.3");
  assert.equal(tidy(1.0236279, 5), "1.0236");
  assert.equal(tidy(1.23456789), "1.23457");
  assert.equal(tidy(null), "");
});
