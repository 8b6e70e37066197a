// Stop: from any screen, in any state, with or without a live stream. It says what it did.

import { sayAtOnce } from "../base/announcer.js";
import { byId, mark, put, show } from "../base/dom.js";
import { printed } from "../base/numbers.js";

const PATIENCE_MS = 3000;
const AGAIN_MS = 1500;
const TRIES = 20;
const GOOD_FOR_MS = 8000;

const NOT_REACHED =
  "Stop did not reach the controller. Hit the emergency stop in the supply.";

/** Make the form with the Stop button stop the bench; without scripts the form does it by itself. */
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

/** Ask for off until the controller answers, telling each time how it stands. */
export async function stop() {
  attempt += 1;
  const own = attempt;
  tell("Stopping\u2026", "busy");
  for (let trial = 1; trial <= TRIES && own === attempt; trial += 1) {
    const answer = await ask();
    if (own !== attempt) return;
    if (answer !== null) {
      tell(printed(answer.message), answer.relay_on === false ? "good" : "bad");
      return;
    }
    tell(`${NOT_REACHED} ${trial < TRIES ? `Trying again (${trial}).` : "Given up trying: press Stop to try again."}`, "bad");
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
}

async function ask() {
  try {
    const answer = await fetch("/api/stop", { method: "POST", cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}

/** Show what became of a command, above the buttons. kind: busy, good or bad; passing: of no weight once another command is given. */
export function tell(text, kind, passing = kind === "good") {
  const box = byId("answer");
  isPassing = passing;
  mark(box, "data-kind", kind);
  put(byId("answer-text"), text);
  show(box, true);
  clearTimeout(closing);
  if (kind === "good") closing = setTimeout(() => show(box, false), GOOD_FOR_MS);
  if (kind !== "busy") sayAtOnce(text);
}

/** Another command is under way, and its answer comes in a box of its own size. What Stop still has to say stays. */
export function untell() {
  if (!isPassing) return;
  clearTimeout(closing);
  show(byId("answer"), false);
}
