// The page's words for names of the API.

import { text, textsBelow } from "./text.js";

const SUPPLIES = textsBelow("supply");
const POLICIES = textsBelow("policy");

/** States of the bench by their names in the API. */
export const STATES = [
  "idle",
  "checking",
  "running",
  "paused",
  "finished",
  "stopped",
  "tripped",
  "interrupted",
];

/** Return the word for a state. */
export const stateOf = (name) => (STATES.includes(name) ? text(`state.${name}.word`) : name);

/** Return a metal's name as it is read. */
export const metalOf = (name) => (name === null ? null : name.replaceAll("-", " "));

/** Return a supply mode as it is read. */
export const supplyOf = (name) => SUPPLIES[name] ?? name;

/** Return a stop policy as it is read. */
export const policyOf = (name) => POLICIES[name] ?? name;

/** Return the places of a reading, [{name, title}]. */
export const PLACES = ["centre", "edge", "small-field"].map((name) => ({
  name,
  title: text(`place.${name}`),
}));

/** The cautions in order of weight, [title, text]. */
export const CAUTIONS = [
  "fumes",
  "off",
  "minus_plate",
  "bath",
  "first_aid",
  "protection",
  "supply",
  "oxidiser",
  "silver_nitrate",
  "lamp",
].map((name) => [text(`caution.${name}.title`), text(`caution.${name}.text`)]);
