// The frame around every screen: how the bench stands and how old the news is, Pause beside Stop.

import { byId, h, mark, put, show } from "../base/dom.js";
import { command } from "./commands.js";
import { clockwork, fixed, printed } from "../base/numbers.js";
import { tell } from "./stop.js";
import { reshape } from "../base/shapes.js";
import { stateOf } from "../base/words.js";

/** Keep the frame up to date. */
export function keepFrame(bench) {
  const [pause, line] = [byId("pause"), byId("state")];
  pause.addEventListener("click", () => {
    if (pause.getAttribute("aria-disabled") !== "true") command("pause");
  });
  bench.on("status", (status) => {
    const reason = status.state === "running" ? null : status.finding?.title ?? null;
    const word = stateOf(status.state).word;
    if (word !== line.firstChild.textContent) line.replaceChildren(h("strong", {}, word), h("span", {}));
    put(line.lastChild, reason ?? brief(status));
    reshape(byId("state-shape"), status.state);
    mark(document.body, "data-state", status.state);
    mark(pause, "aria-disabled", status.state === "running" ? "false" : "true");
    show(byId("rehearsal"), status.rig === "rehearsal");
  });
  let told = null;
  bench.on("freshness", (isFresh, silentMs) => {
    if (bench.trouble !== null && told === null) tell(printed(bench.trouble), "bad");
    told = bench.trouble;
    mark(document.body, "data-fresh", isFresh ? "yes" : "no");
    put(byId("heard"), heardText(bench, isFresh, silentMs));
    reshape(byId("heard-shape"), isFresh ? "running" : "interrupted");
  });
}

/** Return depth and time left in few words, for the line above every screen. */
function brief(status) {
  if (status.depth_mm === null) return "";
  const left = status.state === "running" ? `, ${clockwork(status.remaining_s)} left` : "";
  return `${fixed(status.depth_mm, 3)} mm${left}`;
}

/** Return how old the news is. */
export function heardText(bench, isFresh, silentMs) {
  if (bench.trouble !== null) return printed(`No live numbers: ${bench.trouble}`);
  if (isFresh) return "live";
  if (silentMs === null) return "looking for the bench\u2026";
  const seconds = Math.round(silentMs / 1000);
  return `last heard ${seconds < 120 ? `${seconds} s` : `${Math.floor(seconds / 60)} min`} ago`;
}
