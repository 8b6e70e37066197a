// Commands to the bench besides Stop, each with its answer; pairing is asked for when control needs it.

import { askToPair } from "./pairing.js";
import { post } from "./server.js";
import { tell } from "./stop.js";

/** Do something that the controller may refuse; pair first where it asks for that. Returns the answer, or null. */
export async function attempt(action) {
  try {
    return await action();
  } catch (error) {
    if (error.kind === "pairing-needed") {
      if (await askToPair()) return attempt(action);
      tell("Not paired: this phone can look and stop, and do nothing else.", "bad");
    } else {
      tell(error.message, "bad");
    }
    return null;
  }
}

/** Send a command; returns the answer, or null when it was refused, which the person is told. */
export const command = (name, body) => attempt(() => post(`/api/${name}`, body));
