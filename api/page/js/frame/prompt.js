// The question that the bench asks, above the commands: first look, lost contact, lift and rinse.

import { button, byId, h, mark } from "../base/dom.js";
import { command } from "./commands.js";
import { fixed, printed } from "../base/numbers.js";
import { place } from "../base/taps.js";
import { text } from "../base/text.js";

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
    place(box, question === null ? [] : [card(question), hint(question)]);
    mark(document.body, "data-asks", question !== null);
    if (hadFocus) (box.querySelector("h2") ?? byId("main")).focus();
  };
  bench.on("status", update);
  bench.on("plate", update);
  window.addEventListener("hashchange", update);
}

const card = (question) =>
  h("section", { class: "prompt", "aria-label": text("question.from_the_bench") }, question.parts);

/** On other screens of a phone the question is one line with a link. */
const hint = (question) =>
  h(
    "section",
    { class: "prompt-hint", "aria-label": text("question.hint") },
    h("strong", {}, question.title),
    h("a", { class: "button", href: "#now" }, text("question.answer")),
  );

/** Return the question, {key, title, parts}, or null. The gauge screen asks for the plate. */
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

const ask = (key, title, words, ...answers) => ({
  key,
  title,
  parts: [
    h("h2", { tabindex: "-1" }, title),
    h("p", {}, words),
    h("div", { class: "answers" }, answers),
  ],
});

const gauge = (isFirst) => {
  const look = isFirst ? "button primary" : "button";
  return h("a", { class: look, href: "#gauge" }, text("question.gauge"));
};

const carryOn = (isFirst) =>
  button(text("question.carry_on"), () => command("resume"), { class: isFirst ? "primary" : "" });

function firstLook() {
  return ask(
    "first-look",
    text("question.first_look"),
    text("question.first_look_text"),
    button(text("question.all_well"), () => command("first-look", { is_well: true }), {
      class: "primary",
    }),
    button(text("question.not_well"), () => command("first-look", { is_well: false })),
  );
}

function lookedFor(bench) {
  const { reason, title, what, advice } = bench.status.finding;
  const words = printed(`${what} ${advice}`);
  const key = `${reason} ${bench.plateIs()}`;
  return ask(key, title, words, carryOn(true), ...plateAnswers(bench));
}

function interrupted(status) {
  const title = text("question.interrupted");
  return ask("interrupted", title, printed(status.message), carryOn(true), gauge(false));
}

/** Return where the run is, in words. */
export function standsAt(status) {
  if (status.state === "finished" || status.state === "stopped") {
    if (status.depth_mm === null) return text(`question.${status.state}`);
    return text(`question.${status.state}_at`, { depth_mm: fixed(status.depth_mm, 2) });
  }
  return status.gauge_stop_mm === null
    ? text("question.paused")
    : text("question.gauge_stop_at", { depth_mm: fixed(status.gauge_stop_mm, 2) });
}

function lift(bench) {
  const key = `lift ${bench.status.state} ${bench.status.gauge_stop_mm}`;
  return ask(key, standsAt(bench.status), text("question.lift"), ...plateAnswers(bench));
}

export const PLATE_LINES = {
  out: text("question.plate.out"),
  in: text("question.plate.in"),
};

function paused(bench) {
  const is = bench.plateIs();
  const answers = [gauge(true), carryOn(false), ...plateAnswers(bench)];
  return ask(`paused ${is}`, standsAt(bench.status), PLATE_LINES[is], ...answers);
}

function ended(bench) {
  const is = bench.plateIs();
  const clear = button(text("question.clear"), () => command("acknowledge"));
  const words = text(`question.ended.${is}`);
  const answers = [gauge(true), clear, ...plateAnswers(bench)];
  return ask(`${bench.status.state} ${is}`, standsAt(bench.status), words, ...answers);
}

/** Return the answers to: where is the plate? Later, only the answer that would change it. */
export function plateAnswers(bench) {
  const lift = () => command("lifted");
  const leaveIn = async () => (await command("left-in")) && bench.noteLeftIn();
  const lifted = (isFirst) =>
    button(text("question.lifted"), lift, { class: isFirst ? "primary" : "" });
  if (bench.asksForPlate()) {
    return [lifted(bench.status.finding === null), button(text("question.left_in"), leaveIn)];
  }
  if (bench.plateIs() === "in") return [lifted(false)];
  return [button(text("question.back_in"), leaveIn)];
}

