// Commands to the bench, except Stop. A command that needs a paired phone asks for the PIN.

import { askToPair } from "./pairing.js";
import { post } from "../base/server.js";
import { text } from "../base/text.js";
import { clearAnswer, showAnswer } from "./stop.js";

const ECHO_MS = 700;

/**
 * Do something that the controller may refuse; where it wants a paired phone, pair and try again.
 * Returns the answer, or null after the person has read why not.
 */
export async function attempt(action) {
  try {
    return await action();
  } catch (error) {
    if (error.kind === "pairing-needed") {
      if (await askToPair()) return attempt(action);
      showAnswer(text("server.not_paired"), "bad", true);
    } else {
      showAnswer(error.message, "bad", true);
    }
    return null;
  }
}

let newest = { name: "", answeredAt: 0 };

/**
 * Send a command. Returns the answer, or null when it was refused.
 *
 * The same command while the first is under way or just answered is a double tap: null, and
 * nothing is sent.
 */
export async function command(name, body) {
  if (name === newest.name && performance.now() - newest.answeredAt < ECHO_MS) return null;
  const own = { name, answeredAt: Infinity };
  newest = own;
  clearAnswer();
  const answer = await attempt(() => post(`/api/${name}`, body));
  own.answeredAt = answer === null ? -Infinity : performance.now();
  return answer;
}
