// The frame around every screen: the state of the bench, how old it is, Pause beside Stop.

import { byId, h, mark, put, show } from "../base/dom.js";
import { command } from "./commands.js";
import { clockwork, fixed, printed } from "../base/numbers.js";
import { reshape } from "../base/shapes.js";
import { text } from "../base/text.js";
import { clearFailure, showAnswer } from "./stop.js";
import { stateOf } from "../base/words.js";

/** Keep the frame up to date. */
export function keepFrame(store) {
  const [pause, line] = [byId("pause"), byId("state")];
  pause.addEventListener("click", () => {
    if (pause.getAttribute("aria-disabled") !== "true") command("pause");
  });
  store.on("status", (status) => {
    const reason = status.state === "running" ? null : (status.finding?.title ?? null);
    const word = stateOf(status.state);
    if (word !== line.firstChild.textContent) {
      line.replaceChildren(h("strong", {}, word), h("span", {}));
    }
    put(line.lastChild, reason ?? brief(status));
    reshape(byId("state-shape"), status.state);
    mark(document.body, "data-state", status.state);
    mark(pause, "aria-disabled", status.state === "running" ? "false" : "true");
    put(byId("brand"), status.name ?? text("app.name"));
    show(byId("rehearsal"), status.rig === "rehearsal");
  });
  let [troubleBefore, wasFresh] = [null, false];
  store.on("freshness", (isFresh, silentMs) => {
    if (store.trouble !== null && troubleBefore === null) {
      showAnswer(printed(store.trouble), "bad", true);
    }
    if (isFresh && !wasFresh) clearFailure();
    [troubleBefore, wasFresh] = [store.trouble, isFresh];
    mark(document.body, "data-fresh", isFresh ? "yes" : "no");
    put(byId("heard"), heardText(store, isFresh, silentMs));
    reshape(byId("heard-shape"), isFresh ? "running" : "interrupted");
  });
}

/** Return depth and time left, for the line above every screen. */
function brief(status) {
  if (status.depth_mm === null) return "";
  const depth_mm = fixed(status.depth_mm, 2);
  if (status.state !== "running") return text("frame.depth", { depth_mm });
  return text("frame.depth_and_time", { depth_mm, time: clockwork(status.remaining_s) });
}

/** Return how old the shown status is. */
export function heardText(store, isFresh, silentMs) {
  if (store.trouble !== null) return text("frame.not_live", { reason: printed(store.trouble) });
  if (isFresh) return text("frame.live");
  if (silentMs === null) return text("app.looking");
  const seconds = Math.round(silentMs / 1000);
  if (seconds < 120) return text("frame.heard_seconds", { seconds });
  return text("frame.heard_minutes", { minutes: Math.floor(seconds / 60) });
}
