// What a screen reader announces: changes of state, each tenth of the depth, a trip at once.

import { byId, put } from "./dom.js";
import { fixed, printed, spoken } from "./numbers.js";
import { text } from "./text.js";
import { stateOf } from "./words.js";

const SILENCE_MS = 10000;

/** Say something when nothing else is being said. */
export const say = (words) => put(byId("polite"), words);

/** Say something at once. */
export const sayAtOnce = (words) => put(byId("assertive"), words);

/** Announce what changes on the bench. */
export function announce(store) {
  let tenth = 0;
  let isSilent = false;
  store.on("state", (status, before) => {
    tenth = tenthOf(status);
    const title = status.finding?.title ?? null;
    const values = { state: stateOf(status.state), message: printed(status.message) };
    const words =
      title === null
        ? text("announcement.state", values)
        : text("announcement.state_and_reason", { ...values, reason: title });
    if (status.state === "tripped" || status.relay_welded) sayAtOnce(words);
    else if (before !== null) say(words);
    if (status.state !== "tripped" && before?.state === "tripped") sayAtOnce("");
  });
  store.on("status", (status) => {
    const now = tenthOf(status);
    if (status.state !== "running" || now <= tenth) return;
    tenth = now;
    say(
      text("announcement.depth", {
        depth_mm: fixed(status.depth_mm, 2),
        target_mm: fixed(status.target_depth_mm, 2),
        time: spoken(status.remaining_s),
      }),
    );
  });
  store.on("freshness", (isFresh, silentMs) => {
    if (!isFresh && silentMs !== null && silentMs > SILENCE_MS && !isSilent) {
      isSilent = true;
      say(text("announcement.silent"));
    } else if (isFresh && isSilent) {
      isSilent = false;
      say(text("announcement.back"));
    }
  });
}

function tenthOf(status) {
  if (status.depth_mm === null || !status.target_depth_mm) return 0;
  return Math.floor((10 * status.depth_mm) / status.target_depth_mm);
}
