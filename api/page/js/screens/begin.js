// Cautions and Start: the last screen before the relay turns on.

import { h, mark, pairs, put, show, single } from "../base/dom.js";
import { command } from "../frame/commands.js";
import { bounds, clockwork, withUnit } from "../base/numbers.js";
import { text } from "../base/text.js";
import { cautionsPart } from "../prepare/cautions.js";
import { planWarnings } from "../prepare/plan_panel.js";
import { metalOf } from "../base/words.js";

const STARTABLE = new Set(["idle", "finished", "stopped"]);

/** Build the screen. */
export function beginScreen(store, shared) {
  const summary = h("div", {});
  const warnings = h("div", {});
  const cautions = cautionsPart(() => allow());
  const why = h("p", { class: "problem", role: "status" });
  const start = h("button", { type: "submit", class: "primary wide start" }, text("begin.start"));
  const element = h(
    "div",
    { class: "screen screen-begin" },
    h("h1", {}, text("begin.heading")),
    cautions.element,
    h(
      "section",
      { "aria-labelledby": "run-title" },
      h("h2", { id: "run-title" }, text("begin.run")),
      summary,
      warnings,
    ),
    h(
      "form",
      { class: "stack", onsubmit: single(begin) },
      cautions.tick,
      why,
      start,
      h("a", { class: "button wide", href: "#check" }, text("begin.back")),
    ),
  );

  function reason() {
    const { status } = store;
    if (shared.plan === null) return text("begin.no_plan");
    if (status !== null && !STARTABLE.has(status.state)) return text("begin.busy");
    return cautions.isTicked() ? "" : text("begin.tick");
  }

  function allow() {
    const words = reason();
    put(why, words);
    mark(start, "aria-disabled", words === "" ? null : "true");
  }

  async function begin() {
    allow();
    if (reason() !== "") return;
    mark(start, "aria-disabled", "true");
    const answer = await command("start", shared.request);
    if (answer !== null) {
      cautions.confirm();
      location.hash = "#now";
    } else {
      allow();
    }
  }

  store.on("state", () => element.isConnected && !element.hidden && allow());
  return {
    element,
    enter: () => {
      const { plan } = shared;
      show(summary, plan !== null);
      if (plan !== null) {
        summary.replaceChildren(pairs(summaryOf(plan)));
        warnings.replaceChildren(...planWarnings(plan));
      }
      cautions.enter();
      allow();
    },
  };
}

/** Return the run that Start will begin, as [term, value] pairs. */
function summaryOf(plan) {
  const stops = plan.gauge_stops_mm.map((mm) => withUnit(mm, 2, "mm")).join(", ");
  return [
    [text("begin.piece"), plan.request.piece || text("app.unnamed")],
    [text("begin.metal"), metalOf(plan.metal)],
    [text("begin.bath"), plan.request.bath ?? text("begin.no_bath")],
    [text("begin.depth"), withUnit(plan.target_depth_mm, 2, "mm")],
    [text("begin.between"), text("plan.figure.between", bounds(plan))],
    [text("begin.current"), withUnit(plan.current_a, 2, "A")],
    [text("begin.time"), clockwork(plan.duration_s)],
    [text("begin.gauge_stops"), stops || text("begin.no_stops")],
  ];
}
