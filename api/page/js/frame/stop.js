// Stop: from any screen, in any state, with or without a live stream. It shows what it did.

import { sayAtOnce } from "../base/announcer.js";
import { byId, mark, put, show } from "../base/dom.js";
import { printed } from "../base/numbers.js";
import { text } from "../base/text.js";

const PATIENCE_MS = 3000;
const AGAIN_MS = 1500;
const TRIES = 20;
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

/** Ask for off until the controller answers, and show each try. */
export async function stop() {
  attempt += 1;
  const own = attempt;
  showAnswer(text("stop.stopping"), "busy");
  for (let trial = 1; trial <= TRIES && own === attempt; trial += 1) {
    const answer = await ask();
    if (own !== attempt) return;
    if (answer !== null) {
      showAnswer(printed(answer.message), answer.relay_on === false ? "good" : "bad");
      return;
    }
    const isLast = trial === TRIES;
    showAnswer(isLast ? text("stop.given_up") : text("stop.not_reached", { trial }), "bad");
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
}

async function ask() {
  try {
    const answer = await fetch("/api/stop", {
      method: "POST",
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    return answer.ok ? await answer.json() : null;
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
