// How the rig calls people: messages to those who have left the room, and sounds. Part of Rig.

import { button, h, put, show } from "../base/dom.js";
import { attempt } from "../frame/commands.js";
import { moment } from "../base/numbers.js";
import { get, post } from "../base/server.js";
import { CALLS } from "../base/sound.js";
import { text } from "../base/text.js";

const TEST_PATIENCE_MS = 50000;

/** Build both parts: {element, fetch(mayControl)}. play: sounds a call and says whether it did. */
export function callsPart(play) {
  const view = {
    messages: h("div", { class: "outcome", role: "status" }),
    test: button(text("calls.test"), () => testMessages(view)),
  };
  view.element = h(
    "div",
    {},
    h("h2", {}, text("calls.sounds")),
    ...soundsOf(play),
    // Last, because the outcome of a test makes it longer: nothing below may move.
    h("h2", {}, text("calls.messages")),
    view.test,
    view.messages,
  );
  return { element: view.element, fetch: (mayControl) => fetchMessages(view, mayControl) };
}

async function fetchMessages(view, mayControl) {
  show(view.test, mayControl);
  if (!mayControl) return showWords(view, text("calls.pair_first"));
  try {
    showReport(view, await get("/api/messages"));
  } catch (error) {
    showWords(view, error.message);
  }
  return null;
}

async function testMessages(view) {
  showWords(view, text("calls.testing"));
  const report = await attempt(() => post("/api/messages/test", undefined, TEST_PATIENCE_MS));
  if (report === null) await fetchMessages(view, true);
  else showReport(view, report);
}

const showWords = (view, words) => view.messages.replaceChildren(h("p", {}, words));

function showReport(view, { message, is_well, services }) {
  const isBad = !is_well && services.some(({ failed_at_utc }) => failed_at_utc !== null);
  const rows = services.map((service) =>
    h("li", {}, h("div", {}, service.line, h("div", { class: "quiet" }, sinceOf(service)))),
  );
  view.messages.replaceChildren(
    h("p", { class: isBad ? "problem" : null }, message),
    h("ul", { class: "paired" }, rows),
  );
}

function sinceOf({ sent_at_utc, waiting }) {
  const sent = sent_at_utc === null ? text("calls.never") : moment(sent_at_utc);
  return waiting === 0
    ? text("calls.last_sent", { time: sent })
    : text("calls.last_sent_and_waiting", { time: sent, count: waiting });
}

/** Return the calls in words, each with a button that sounds it. */
function soundsOf(play) {
  const silent = h("p", { class: "problem", role: "status" });
  const row = (call) => {
    const name = text(`calls.name.${call}`);
    const sound = () => put(silent, play(call) ? "" : text("calls.silent"));
    const label = { "aria-label": text("calls.hear_this", { name }) };
    return h(
      "li",
      {},
      h("span", {}, name),
      h("span", { class: "quiet" }, text(`calls.words.${call}`)),
      button(text("calls.hear"), sound, label),
    );
  };
  return [
    h("p", { class: "quiet" }, text("calls.sounds_explained")),
    h("ul", { class: "paired" }, Object.keys(CALLS).map(row)),
    silent,
  ];
}
