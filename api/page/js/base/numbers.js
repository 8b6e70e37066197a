// Numbers for a person. What is not known is a dash, never 0.

import { text, textsBelow } from "./text.js";

const NARROW = "\u202f";
export const NONE = "\u2013";

/** Return a number with so many decimals and a narrow space between thousands. */
export function fixed(value, digits) {
  if (!Number.isFinite(value)) return NONE;
  const [whole, part] = Math.abs(value).toFixed(digits).split(".");
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, NARROW) : whole;
  const digitsShown = part === undefined ? grouped : `${grouped}.${part}`;
  const isNegative = value < 0 && Number(digitsShown.replaceAll(NARROW, "")) !== 0;
  return isNegative ? `\u2212${digitsShown}` : digitsShown;
}

/** Return a number with its unit, or a dash. */
export function withUnit(value, digits, unit) {
  const number = fixed(value, digits);
  return number === NONE ? NONE : `${number}\u00a0${unit}`;
}

/** Return the bounds of a depth for a text, in mm. */
export const bounds = ({ depth_low_mm, depth_high_mm }) => ({
  low_mm: fixed(depth_low_mm, 2),
  high_mm: fixed(depth_high_mm, 2),
});

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
  if (!Number.isFinite(seconds)) return text("announcement.unknown_time");
  if (seconds < 90) return text("announcement.seconds", { count: Math.round(seconds) });
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return text("announcement.minutes", { count: minutes });
  return text("announcement.hours", { count: Math.floor(minutes / 60), minutes: minutes % 60 });
}

/** Return the time of day of a date. */
export const timeOfDay = (date) =>
  date.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });

/** Return day and time of an instant in ISO 8601. */
export function moment(instant) {
  const date = new Date(instant);
  const day = { day: "numeric", month: "short", year: "numeric" };
  return `${date.toLocaleDateString([], day)}, ${timeOfDay(date)}`;
}

const FIELDS = textsBelow("field");
const LONG = Object.keys(FIELDS).filter((name) => name.includes("_"));
const FIELD = new RegExp(`(?<![\\w.])(${LONG.join("|")})(?!\\w)|^(pieces|piece)(?= is )`, "g");

/** Return a text of the API as people read it: fields by their names, units as in print. */
export function printed(message) {
  const named = (message ?? "").replace(FIELD, (field) => FIELDS[field]);
  const powers = (_, unit, power) => unit + "\u00b2\u00b3"[power - 2];
  return named.replaceAll("degC", "\u00b0C").replace(/\b([cdm]?m)([23])\b/g, powers);
}

/** Return the number in an input, with comma or point, or null when there is none. */
export function numberIn(typed) {
  const clean = String(typed).trim().replace(",", ".").replace("\u2212", "-");
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(clean) ? Number(clean) : null;
}

/** Return a number for an input, without rounding noise. */
export const tidy = (value, digits = 6) =>
  value === null ? "" : String(Number(value.toPrecision(digits)));
