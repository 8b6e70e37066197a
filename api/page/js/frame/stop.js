// Stop: from any screen, in any state, with or without a live stream. It shows what it did.

import { sayAtOnce } from "../base/announcer.js";
import { byId, mark, put, show } from "../base/dom.js";
import { Tap } from "./meant_for.js";
import { printed } from "../base/numbers.js";
import { query } from "../base/server.js";
import { text } from "../base/text.js";

const PATIENCE_MS = 3000;
const AGAIN_MS = 1500;
const GOOD_FOR_MS = 8000;

/** Let the Stop button stop the bench. Without scripts its form does so by itself. */
export function armStop() {
  byId("stop-form").addEventListener("submit", (event) => {
    event.preventDefault();
    stop();
  });
  byId("answer-close").addEventListener("click", () => show(byId("answer"), false));
}

let attempt = 0;
let closing = null;
let isPassing = true;

/**
 * Ask for off until the controller answers, and show each try. A Stop that is late is dropped: it
 * might meet another run. It names its run only while what is shown is live.
 */
export async function stop() {
  attempt += 1;
  const own = attempt;
  const tap = new Tap();
  showAnswer(text("stop.stopping"), "busy");
  for (let trial = 1; own === attempt; trial += 1) {
    const answer = await ask(tap);
    if (own !== attempt) return;
    if (answer?.refusal !== undefined) {
      showAnswer(printed(answer.refusal), "bad");
      return;
    }
    if (answer !== null) {
      showAnswer(printed(answer.message), answer.relay_on === false ? "good" : "bad");
      return;
    }
    if (!tap.isLate()) {
      showAnswer(text("stop.not_reached", { trial }), "bad");
      await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
    }
    if (own !== attempt) return;
    if (tap.isLate()) {
      showAnswer(text("stop.given_up"), "bad");
      return;
    }
  }
}

async function ask(tap) {
  try {
    const answer = await fetch(query("/api/stop", tap.values(tap.isFresh)), {
      method: "POST",
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    const body = await answer.json();
    if (answer.ok) return body;
    return body.type?.endsWith("/other-run") ? { refusal: body.detail } : null;
  } catch {
    return null;
  }
}

/**
 * Show the outcome of a command above the buttons. kind: busy, good or bad. The next command
 * removes a passing one.
 */
export function showAnswer(words, kind, passing = kind === "good") {
  const box = byId("answer");
  isPassing = passing;
  mark(box, "data-kind", kind);
  put(byId("answer-text"), words);
  show(box, true);
  clearTimeout(closing);
  if (kind === "good") closing = setTimeout(() => show(box, false), GOOD_FOR_MS);
  if (kind !== "busy") sayAtOnce(words);
}

/** Show news above the buttons, unless what Stop did or could not do is there. */
export function showNews(words) {
  if (byId("answer").hidden || isPassing) showAnswer(words, "good");
}

/** Remove the outcome of the last command. What Stop could not do stays. */
export function clearAnswer() {
  if (!isPassing) return;
  clearTimeout(closing);
  show(byId("answer"), false);
}

/** The bench is heard again: remove a passing failure. */
export function clearFailure() {
  if (byId("answer").getAttribute("data-kind") === "bad") clearAnswer();
}
