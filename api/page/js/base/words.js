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

export const REASONS = {
  over_voltage: "Too much voltage",
  over_current: "Too much current",
  short_circuit: "Short circuit",
  lost_contact: "Contact lost",
  reverse_current: "Current runs backwards",
  sensor_fault: "The sensor fails",
  sensor_stale: "The sensor is silent",
  sensor_saturated: "Current beyond the sensor",
  sensor_reset: "The sensor was reset",
  zero_offset: "The sensor\u2019s zero is off",
  relay_welded: "The relay is welded",
  over_time: "Time ceiling reached",
  over_charge: "Charge ceiling reached",
  depth_limit: "Deep enough for this sheet",
  bath_hot: "The bath is hot",
  resist_leak: "The resist may leak",
  store_full: "The logbook has no room",
  controller_fault: "Fault of the program",
};

/** Return the word for a state. */
export const stateOf = (name) => (STATES.includes(name) ? text(`state.${name}.word`) : name);

/** Return the words for a reason, or null without one. */
export const reasonOf = (name) =>
  name === null ? null : (REASONS[name] ?? name.replaceAll("_", " "));

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
