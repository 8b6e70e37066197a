// The texts of the page. The server makes texts.js from the catalogue.

import { TEXTS } from "./texts.js";

/**
 * Return the text for a key, with values in the place of {name}.
 *
 * Values are formatted already. A key with `one` and `many` is chosen by the number `count`.
 * A text that is missing, or that lacks a value, must hide nothing: then the key and the values
 * are returned as they are.
 */
export function text(key, values = {}) {
  const isCounted = "count" in values && !Object.hasOwn(TEXTS, key);
  const found = isCounted ? `${key}.${values.count === 1 ? "one" : "many"}` : key;
  const wanted = Object.hasOwn(TEXTS, found) ? namesIn(TEXTS[found]) : null;
  if (wanted === null || wanted.some((name) => !Object.hasOwn(values, name))) {
    return [key, ...Object.entries(values).map(([name, value]) => `${name} ${value}`)].join(", ");
  }
  return TEXTS[found].replace(/\{(\w+)\}/g, (_, name) => String(values[name]));
}

/** Return the texts below a key: {name: text}. */
export function textsBelow(key) {
  const known = Object.entries(TEXTS).filter(([path]) => path.startsWith(`${key}.`));
  return Object.fromEntries(known.map(([path, found]) => [path.slice(key.length + 1), found]));
}

const namesIn = (found) => [...found.matchAll(/\{(\w+)\}/g)].map(([, name]) => name);
