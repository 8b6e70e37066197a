// What a screen reader is told: changes of state, every tenth of the depth, a trip at once. No chatter.

import { byId, put } from "./dom.js";
import { fixed, printed, spoken } from "./numbers.js";
import { stateOf } from "./words.js";

const SILENCE_WORTH_TELLING_MS = 10000;

/** Say something when nothing else is being said. */
export const say = (text) => put(byId("polite"), text);

/** Say something at once. */
export const sayAtOnce = (text) => put(byId("assertive"), text);

/** Tell what changes on the bench. */
export function announce(bench) {
  let tenth = 0;
  let hasToldSilence = false;
  bench.on("state", (status, before) => {
    tenth = tenthOf(status);
    const title = status.finding ? `${status.finding.title}. ` : "";
    const text = `${stateOf(status.state).word}. ${title}${printed(status.message)}`;
    if (status.state === "tripped" || status.relay_welded) sayAtOnce(text);
    else if (before !== null) say(text);
    if (status.state !== "tripped" && before?.state === "tripped") sayAtOnce("");
  });
  bench.on("status", (status) => {
    const now = tenthOf(status);
    if (status.state !== "running" || now <= tenth) return;
    tenth = now;
    say(`Depth ${fixed(status.depth_mm, 3)} of ${fixed(status.target_depth_mm, 3)} millimetres, ${spoken(status.remaining_s)} left.`);
  });
  bench.on("freshness", (isFresh, silentMs) => {
    if (!isFresh && silentMs !== null && silentMs > SILENCE_WORTH_TELLING_MS && !hasToldSilence) {
      hasToldSilence = true;
      say("No news from the bench for ten seconds. The numbers shown are old.");
    } else if (isFresh && hasToldSilence) {
      hasToldSilence = false;
      say("News from the bench again.");
    }
  });
}

function tenthOf(status) {
  if (status.depth_mm === null || !status.target_depth_mm) return 0;
  return Math.floor((10 * status.depth_mm) / status.target_depth_mm);
}
