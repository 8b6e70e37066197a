// The question that the bench asks now, above the commands: first look, lost contact, lift and rinse, what next.

import { button, byId, h, mark } from "../base/dom.js";
import { command } from "./commands.js";
import { fixed, printed } from "../base/numbers.js";
import { place } from "../base/taps.js";
import { reasonOf } from "../base/words.js";

/** Keep the question up to date. It is built anew only when another one is asked. */
export function keepPrompt(bench) {
  const box = byId("prompt");
  let asked = "";
  const update = () => {
    if (bench.status === null) return;
    const question = questionOf(bench, location.hash.startsWith("#gauge"));
    const key = question?.key ?? "";
    if (key === asked) return;
    const hadFocus = box.contains(document.activeElement);
    asked = key;
    place(box, question === null ? [] : [sheet(question), hint(question)]);
    mark(document.body, "data-asks", question !== null);
    if (hadFocus) (box.querySelector("h2") ?? byId("main")).focus();
  };
  bench.on("status", update);
  bench.on("plate", update);
  window.addEventListener("hashchange", update);
}

const sheet = (question) => h("section", { class: "prompt", "aria-label": "Question from the bench" }, question.parts);

/** On another screen of a phone the question is one line that leads to it: that screen was chosen for something else. */
const hint = (question) =>
  h(
    "section",
    { class: "prompt-hint", "aria-label": "The bench asks" },
    h("strong", {}, question.title),
    h("a", { class: "button", href: "#now" }, "Answer"),
  );

/** Return the question that the bench asks: {key, title, parts}, or null. The gauge screen asks for the plate itself. */
function questionOf(bench, isGaugeScreen) {
  const { status } = bench;
  const { state, reason } = status;
  if (state === "running") return status.first_look_due ? firstLook() : null;
  if (state === "interrupted") return interrupted(status);
  if (state === "paused" && reason !== null) return lookedFor(bench);
  const isOff = state === "paused" || state === "finished" || state === "stopped";
  if (!isOff || isGaugeScreen || status.run_id === null) return null;
  if (bench.asksForPlate()) return lift(bench);
  return state === "paused" ? paused(bench) : ended(bench);
}

const ask = (key, title, text, ...answers) => ({
  key,
  title,
  parts: [h("h2", { tabindex: "-1" }, title), h("p", {}, text), h("div", { class: "answers" }, answers)],
});

const gauge = (isFirst) => h("a", { class: isFirst ? "button primary" : "button", href: "#gauge" }, "Gauge");

const resume = (text, isFirst) => button(text, () => command("resume"), { class: isFirst ? "primary" : "" });

function firstLook() {
  return ask(
    "first look",
    "First look",
    "Is gas rising at the minus plate, and is the work turning matt evenly? Clips swapped at the cell show here and nowhere else.",
    button("Both, all well", () => command("first-look", { is_well: true }), { class: "primary" }),
    button("No: pause", () => command("first-look", { is_well: false })),
  );
}

function lookedFor(bench) {
  const { status } = bench;
  const key = `${status.reason} ${bench.plateIs()}`;
  return ask(key, reasonOf(status.reason), printed(status.message), resume("Put right: resume", true), ...plateAnswers(bench));
}

function interrupted(status) {
  return ask("interrupted", "Interrupted", printed(status.message), resume("Resume", true), gauge(false));
}

/** Return what the bench stands at, in words. */
export function standsAt(status) {
  if (status.state === "finished" || status.state === "stopped") {
    const done = status.state === "finished" ? "Finished" : "Stopped";
    return status.depth_mm === null ? done : `${done} at ${fixed(status.depth_mm, 3)} mm`;
  }
  return status.gauge_stop_mm === null ? "Paused" : `Gauge stop at ${fixed(status.gauge_stop_mm, 3)} mm`;
}

function lift(bench) {
  const key = `lift ${bench.status.state} ${bench.status.gauge_stop_mm}`;
  return ask(key, standsAt(bench.status), "Lift and rinse the plate: the acid goes on without current.", ...plateAnswers(bench));
}

export const PLATE_LINES = {
  out: "The plate is out and rinsed.",
  in: "The plate hangs in the bath without current: the upper bound of its depth grows meanwhile.",
};

function paused(bench) {
  const is = bench.plateIs();
  return ask(`paused ${is}`, standsAt(bench.status), PLATE_LINES[is], gauge(true), resume("Resume", false), ...plateAnswers(bench));
}

function ended(bench) {
  const is = bench.plateIs();
  const text = `${PLATE_LINES[is]} What you gauge or weigh now teaches the bath for the next run.`;
  const clear = button("Clear the bench", () => command("acknowledge"));
  return ask(`${bench.status.state} ${is}`, standsAt(bench.status), text, gauge(true), clear, ...plateAnswers(bench));
}

/** Return the answers to: where is the plate? Asked first, then only what would change it. */
export function plateAnswers(bench) {
  const lifted = (isFirst) => button("Lifted and rinsed", () => command("lifted"), { class: isFirst ? "primary" : "" });
  const left = (text) => button(text, async () => (await command("left-in")) && bench.sayLeftIn());
  if (bench.asksForPlate()) return [lifted(bench.status.reason === null), left("Left in the bath")];
  return [bench.plateIs() === "in" ? lifted(false) : left("Hangs in the bath again")];
}

