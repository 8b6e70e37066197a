// Cautions and Start: the last screen before the relay turns on.

import { h, mark, pairs, put, show, single } from "../base/dom.js";
import { command } from "../frame/commands.js";
import { clockwork, interval, withUnit } from "../base/numbers.js";
import { planWarnings } from "../prepare/plan_panel.js";
import { metalOf, CAUTIONS } from "../base/words.js";

const STARTABLE = new Set(["idle", "finished", "stopped"]);

/** Build the screen. */
export function beginScreen(bench, shared) {
  const summary = h("div", {});
  const warnings = h("div", {});
  const seen = h("input", { type: "checkbox", id: "cautions-seen", onchange: () => allow() });
  const why = h("p", { class: "problem", role: "status" });
  const start = h("button", { type: "submit", class: "primary wide start" }, "Start");
  const element = h(
    "div",
    { class: "screen screen-begin" },
    h("h1", {}, "Cautions and Start"),
    h("section", { "aria-labelledby": "cautions-title" },
      h("h2", { id: "cautions-title" }, "Cautions, in order of weight"),
      h("ol", { class: "cautions" }, CAUTIONS.map(([name, text]) => h("li", {}, h("strong", {}, `${name}. `), text))),
      h("p", { class: "quiet" }, "Local codes, safety data sheets and licensed practice come first.")),
    h("section", { "aria-labelledby": "run-title" }, h("h2", { id: "run-title" }, "The run"), summary, warnings),
    h("form", { class: "stack", onsubmit: single(begin) },
      h("label", { class: "check-line", for: "cautions-seen" }, seen, "I have seen the cautions. Extraction is on, goggles and gloves are on, the emergency stop is within reach."),
      why, start, h("a", { class: "button wide", href: "#check" }, "Back to the rig check")),
  );

  function reason() {
    const { status } = bench;
    if (shared.plan === null) return "There is no plan: go back to the piece.";
    if (status !== null && !STARTABLE.has(status.state)) return "A run is on the bench: finish or stop it first.";
    return seen.checked ? "" : "Tick the box when it is so.";
  }

  function allow() {
    const text = reason();
    put(why, text);
    mark(start, "aria-disabled", text === "" ? null : "true");
  }

  async function begin() {
    allow();
    if (reason() !== "") return;
    mark(start, "aria-disabled", "true");
    const answer = await command("start", shared.wish);
    if (answer !== null) {
      seen.checked = false;
      location.hash = "#now";
    } else {
      allow();
    }
  }

  bench.on("state", () => element.isConnected && !element.hidden && allow());
  return {
    element,
    enter: () => {
      const { plan } = shared;
      show(summary, plan !== null);
      if (plan !== null) {
        summary.replaceChildren(pairs([
          ["Piece", plan.request.piece || "without a name"], ["Metal", metalOf(plan.metal)], ["Bath", plan.request.bath ?? "none named"],
          ["Depth wanted", withUnit(plan.target_depth_mm, 3, "mm")], ["95\u00a0% sure", `${interval(plan.depth_low_mm, plan.depth_high_mm, 3)} mm`],
          ["Current", withUnit(plan.current_a, 2, "A")], ["Time with the relay on", clockwork(plan.duration_s)],
          ["Gauge stops", plan.gauge_stops_mm.map((mm) => withUnit(mm, 3, "mm")).join(", ") || "none"],
        ]));
        warnings.replaceChildren(...planWarnings(plan));
      }
      allow();
    },
  };
}
