// Commands to the bench, except Stop. A command that needs a paired phone asks for the PIN.

import { askToPair } from "./pairing.js";
import { Tap } from "./meant_for.js";
import { post, query } from "../base/server.js";
import { text } from "../base/text.js";
import { clearAnswer, showAnswer } from "./stop.js";

const ECHO_MS = 700;

/**
 * Do something that the controller may refuse; where it wants a paired phone, pair and try again.
 * Returns the answer, or null after the person has read why not. Typing the PIN confirms the
 * command: onPaired is called.
 */
export async function attempt(action, onPaired = () => {}) {
  try {
    return await action();
  } catch (error) {
    if (error.kind === "pairing-needed") {
      if (await askToPair()) {
        onPaired();
        return attempt(action, onPaired);
      }
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
 * nothing is sent. The run that was shown and the age of the tap go with it.
 */
export async function command(name, body) {
  if (name === newest.name && performance.now() - newest.answeredAt < ECHO_MS) return null;
  const own = { name, answeredAt: Infinity };
  newest = own;
  clearAnswer();
  const tap = new Tap();
  const send = () => post(query(`/api/${name}`, tap.values(name !== "start")), body);
  const answer = await attempt(send, () => tap.again());
  own.answeredAt = answer === null ? -Infinity : performance.now();
  return answer;
}
