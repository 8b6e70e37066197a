// Numbers for a person. What is not known is a dash, never 0.

import { FIELDS } from "./words.js";

const NARROW = "\u202f";
export const NONE = "\u2013";

/** Return a number with so many decimals and a narrow space between thousands. */
export function fixed(value, digits) {
  if (!Number.isFinite(value)) return NONE;
  const [whole, part] = Math.abs(value).toFixed(digits).split(".");
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, NARROW) : whole;
  const text = part === undefined ? grouped : `${grouped}.${part}`;
  return value < 0 && Number(text.replaceAll(NARROW, "")) !== 0 ? `\u2212${text}` : text;
}

/** Return a number with its unit, or a dash. */
export function withUnit(value, digits, unit) {
  const text = fixed(value, digits);
  return text === NONE ? NONE : `${text}\u00a0${unit}`;
}

/** Return an interval. */
export const interval = (low, high, digits) => `${fixed(low, digits)} to ${fixed(high, digits)}`;

/** Return seconds as m:ss, from an hour on as h:mm:ss. */
export function clockwork(seconds) {
  if (!Number.isFinite(seconds)) return NONE;
  const all = Math.max(0, Math.round(seconds));
  const pad = (number) => String(number).padStart(2, "0");
  const [hours, minutes] = [Math.floor(all / 3600), Math.floor(all / 60) % 60];
  return hours > 0 ? `${hours}:${pad(minutes)}:${pad(all % 60)}` : `${minutes}:${pad(all % 60)}`;
}

/** Return seconds in words, for a screen reader. */
export function spoken(seconds) {
  if (!Number.isFinite(seconds)) return "an unknown time";
  const minutes = Math.round(seconds / 60);
  if (seconds < 90) return `${Math.round(seconds)} seconds`;
  return minutes < 90 ? `${minutes} minutes` : `${Math.floor(minutes / 60)} hours ${minutes % 60} minutes`;
}

/** Return the time of day of a date. */
export const timeOfDay = (date) => date.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });

/** Return day and time of an instant that came as text. */
export function moment(text) {
  const date = new Date(text);
  return `${date.toLocaleDateString([], { day: "numeric", month: "short", year: "numeric" })}, ${timeOfDay(date)}`;
}

const FIELD = new RegExp(`(?<![\\w.])(${Object.keys(FIELDS).filter((name) => name.includes("_")).join("|")})(?!\\w)|^(pieces|piece)(?= is )`, "g");

/** Return a text of the controller as people read it: fields by their names, units as they are printed. */
export function printed(text) {
  const named = (text ?? "").replace(FIELD, (field) => FIELDS[field]);
  return named.replaceAll("degC", "\u00b0C").replace(/\b([cdm]?m)([23])\b/g, (_, unit, power) => unit + "\u00b2\u00b3"[power - 2]);
}

/** Return the number in an input, comma or point, or null when there is none. */
export function numberIn(text) {
  const clean = String(text).trim().replace(",", ".").replace("\u2212", "-");
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(clean) ? Number(clean) : null;
}

/** Return a number without the noise of its arithmetic, to be shown in an input. */
export const tidy = (value, digits = 6) => (value === null ? "" : String(Number(value.toPrecision(digits))));
