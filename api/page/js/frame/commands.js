// Commands to the bench besides Stop, each with its answer; pairing is asked for when control needs it.

import { askToPair } from "./pairing.js";
import { post } from "../base/server.js";
import { tell, untell } from "./stop.js";

const ECHO_MS = 700;

/** Do something that the controller may refuse; pair first where it asks for that. Returns the answer, or null. */
export async function attempt(action) {
  try {
    return await action();
  } catch (error) {
    if (error.kind === "pairing-needed") {
      if (await askToPair()) return attempt(action);
      tell("Not paired: this phone can look and stop, and do nothing else.", "bad", true);
    } else {
      tell(error.message, "bad", true);
    }
    return null;
  }
}

let newest = { name: "", answeredAt: 0 };

/**
 * Send a command; returns the answer, or null when it was refused, which the person is told.
 *
 * The same command again while the first is under way or hardly answered is a double tap: null, and nothing is sent.
 */
export async function command(name, body) {
  if (name === newest.name && performance.now() - newest.answeredAt < ECHO_MS) return null;
  const own = { name, answeredAt: Infinity };
  newest = own;
  untell();
  const answer = await attempt(() => post(`/api/${name}`, body));
  own.answeredAt = answer === null ? -Infinity : performance.now();
  return answer;
}
