// The question above the commands: first look, lost contact, lift and rinse, what next.

import { button, byId, h, mark } from "../base/dom.js";
import { command } from "./commands.js";
import { fixed, printed } from "../base/numbers.js";
import { place } from "../base/taps.js";

/** Keep the question up to date. It is rebuilt only when the question changes. */
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

const sheet = (question) =>
  h("section", { class: "prompt", "aria-label": "Question from the bench" }, question.parts);

/** On a phone's other screens, which serve something else, one line leads to the question. */
const hint = (question) =>
  h(
    "section",
    { class: "prompt-hint", "aria-label": "The bench asks" },
    h("strong", {}, question.title),
    h("a", { class: "button", href: "#now" }, "Answer"),
  );

/**
 * Return the question to ask: {key, title, parts}, or null.
 * The gauge screen asks about the plate itself.
 */
function questionOf(bench, isGaugeScreen) {
  const { status } = bench;
  const { state } = status;
  if (state === "running") return status.first_look_due ? firstLook() : null;
  if (state === "interrupted") return interrupted(status);
  if (state === "paused" && status.finding !== null) return lookedFor(bench);
  const isOff = state === "paused" || state === "finished" || state === "stopped";
  if (!isOff || isGaugeScreen || status.run_id === null) return null;
  if (bench.asksForPlate()) return lift(bench);
  return state === "paused" ? paused(bench) : ended(bench);
}

const ask = (key, title, text, ...answers) => ({
  key,
  title,
  parts: [
    h("h2", { tabindex: "-1" }, title),
    h("p", {}, text),
    h("div", { class: "answers" }, answers),
  ],
});

const gauge = (isFirst) =>
  h("a", { class: isFirst ? "button primary" : "button", href: "#gauge" }, "Gauge");

const carryOn = (text, isFirst) =>
  button(text, () => command("resume"), { class: isFirst ? "primary" : "" });

function firstLook() {
  return ask(
    "first look",
    "First look",
    "Is gas rising at the minus plate, and is the work turning matt evenly? "
      + "Nothing else shows that the clips are swapped at the cell.",
    button("Both, all well", () => command("first-look", { is_well: true }), { class: "primary" }),
    button("No: pause", () => command("first-look", { is_well: false })),
  );
}

function lookedFor(bench) {
  const { reason, title, what, advice } = bench.status.finding;
  const text = printed(`${what} ${advice}`);
  const answers = [carryOn("Fixed, carry on", true), ...plateAnswers(bench)];
  return ask(`${reason} ${bench.plateIs()}`, title, text, ...answers);
}

function interrupted(status) {
  const text = printed(status.message);
  return ask("interrupted", "Interrupted", text, carryOn("Carry on", true), gauge(false));
}

/** Return where the run is, in words. */
export function standsAt(status) {
  if (status.state === "finished" || status.state === "stopped") {
    const done = status.state === "finished" ? "Finished" : "Stopped";
    return status.depth_mm === null ? done : `${done} at ${fixed(status.depth_mm, 3)} mm`;
  }
  if (status.gauge_stop_mm === null) return "Paused";
  return `Gauge stop at ${fixed(status.gauge_stop_mm, 3)} mm`;
}

function lift(bench) {
  const key = `lift ${bench.status.state} ${bench.status.gauge_stop_mm}`;
  const text = "Lift and rinse the plate: the acid keeps biting with the power off.";
  return ask(key, standsAt(bench.status), text, ...plateAnswers(bench));
}

export const PLATE_LINES = {
  out: "The plate is out and rinsed.",
  in: "The plate is in the bath with the power off. The acid keeps biting: the range of the "
    + "depth grows upwards.",
};

function paused(bench) {
  const is = bench.plateIs();
  const answers = [gauge(true), carryOn("Carry on", false), ...plateAnswers(bench)];
  return ask(`paused ${is}`, standsAt(bench.status), PLATE_LINES[is], ...answers);
}

function ended(bench) {
  const is = bench.plateIs();
  const text = `${PLATE_LINES[is]} What you gauge or weigh now improves the next run in this bath.`;
  const clear = button("Clear the bench", () => command("acknowledge"));
  const answers = [gauge(true), clear, ...plateAnswers(bench)];
  return ask(`${bench.status.state} ${is}`, standsAt(bench.status), text, ...answers);
}

/** Return the answers to: where is the plate? Later, only the answer that would change it. */
export function plateAnswers(bench) {
  const lifted = (isFirst) =>
    button("Lifted and rinsed", () => command("lifted"), { class: isFirst ? "primary" : "" });
  const left = (text) =>
    button(text, async () => (await command("left-in")) && bench.sayLeftIn());
  if (bench.asksForPlate()) {
    return [lifted(bench.status.finding === null), left("Left in the bath")];
  }
  return [bench.plateIs() === "in" ? lifted(false) : left("Back in the bath")];
}

