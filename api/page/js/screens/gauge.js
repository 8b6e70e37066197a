// Gauge: where the plate is, what was read, what that changes, and on.

import { button, h, put, show } from "../base/dom.js";
import { say } from "../base/announcer.js";
import { command } from "../frame/commands.js";
import { fixed, interval, withUnit } from "../base/numbers.js";
import { PLATE_LINES, plateAnswers, standsAt } from "../frame/prompt.js";
import { ReadingForm } from "../records/reading_form.js";
import { ReadingList } from "../records/reading_list.js";
import { get, query } from "../base/server.js";
import { place } from "../base/taps.js";

const OFF = new Set(["paused", "finished", "stopped", "interrupted", "tripped"]);

/** Build the screen. */
export function gaugeScreen(bench) {
  const view = build(bench);
  let isSeen = false;
  let shownFor = "";

  const update = async () => {
    const { status } = bench;
    if (!isSeen || status === null) return;
    const isReady = status.run_id !== null && OFF.has(status.state);
    show(view.ready, isReady);
    show(view.other, !isReady);
    if (!isReady) {
      const key = `away ${status.state}`;
      if (key === shownFor) return undefined;
      shownFor = key;
      return away(view, status);
    }
    put(view.stand, standsAt(status));
    put(view.estimate, `Estimate ${withUnit(status.depth_mm, 3, "mm")} (${interval(status.depth_low_mm, status.depth_high_mm, 3)}, 95\u00a0% sure) of ${withUnit(status.target_depth_mm, 3, "mm")} wanted.`);
    ceiling(view, status);
    const key = [status.run_id, status.state, bench.plateIs(), bench.asksForPlate()].join();
    if (key !== shownFor) {
      shownFor = key;
      put(view.plateLine, bench.asksForPlate() ? "Lift and rinse the plate: the acid goes on without current." : PLATE_LINES[bench.plateIs()]);
      place(view.plate, plateAnswers(bench));
      place(view.onward, onward(status));
      view.form.runId = status.run_id;
      return view.list.fetch(status.run_id);
    }
    return undefined;
  };
  bench.on("status", update);
  bench.on("plate", update);
  return {
    element: view.element,
    enter: () => {
      isSeen = true;
      shownFor = "";
      show(view.change, false);
      return update();
    },
    leave: () => {
      isSeen = false;
    },
  };
}

function build(bench) {
  const view = {
    stand: h("p", { class: "empty-line" }),
    estimate: h("p", {}),
    plateLine: h("p", {}),
    plate: h("div", { class: "answers" }),
    ceiling: h("div", { class: "caution-box" }),
    onward: h("div", { class: "answers" }),
    otherText: h("p", {}),
    latest: h("p", {}),
  };
  view.change = h("section", { class: "change", "aria-labelledby": "change-title" });
  view.list = new ReadingList((answer) => changed(view, bench, answer));
  view.form = new ReadingForm((answer) => {
    changed(view, bench, answer);
    view.list.fetch(bench.status.run_id);
  });
  view.ready = h(
    "div",
    { class: "gauge" },
    h("div", { class: "gauge-plate" }, view.stand, view.estimate, h("h2", {}, "The plate"), view.plateLine, view.plate),
    h("div", { class: "gauge-reading" }, h("h2", {}, "A reading"), view.form.element, h("h2", {}, "Readings of this run"), view.list.element),
    h("div", { class: "gauge-onward" }, view.change, view.ceiling, h("h2", {}, "Go on"), view.onward),
  );
  view.other = h("div", { class: "empty" }, view.otherText, view.latest);
  view.element = h("div", { class: "screen screen-gauge" }, h("h1", {}, "Gauge"), view.ready, view.other);
  show(view.ready, false);
  show(view.change, false);
  show(view.ceiling, false);
  return view;
}

/** Show the estimate before and after a reading. */
function changed(view, bench, answer) {
  const row = (name, depth) => h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, withUnit(depth.depth_mm, 3, "mm")), h("td", {}, `${interval(depth.depth_low_mm, depth.depth_high_mm, 3)}`));
  if (answer.before === null) return;
  view.change.replaceChildren(
    h("h2", { id: "change-title", tabindex: "-1" }, "What the reading changed"),
    h("table", {}, h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col" }, "Estimate"), h("th", { scope: "col" }, "95\u00a0% sure"))),
      h("tbody", {}, row("Before", answer.before), row("After", answer.after))),
    h("p", {}, `The run stops at ${withUnit(answer.target_charge_coulombs, 0, "C")} now.`),
  );
  show(view.change, true);
  view.change.querySelector("h2").focus();
  say(`Estimate before ${fixed(answer.before.depth_mm, 3)}, after ${fixed(answer.after.depth_mm, 3)} millimetres.`);
}

/** A ceiling that comes before the target is raised by a person, or not at all. */
function ceiling(view, status) {
  const isFirst = status.state === "paused" && status.max_charge_coulombs !== null && status.target_charge_coulombs > status.max_charge_coulombs;
  if (isFirst === !view.ceiling.hidden) return;
  show(view.ceiling, isFirst);
  view.ceiling.replaceChildren(
    h("p", {}, `The ceiling of ${withUnit(status.max_charge_coulombs, 0, "C")} ends the run before its target. Raise it only when the reading is right.`),
    button("The reading is right: raise the ceilings", () => command("ceilings", { is_confirmed: true }), { class: "wide" }),
  );
}

function onward(status) {
  if (status.state === "paused" || status.state === "interrupted") {
    return [
      button("Go on etching", async () => (await command("resume")) && (location.hash = "#now"), { class: "primary" }),
      button("Finish here", () => document.getElementById("stop-form").requestSubmit()),
    ];
  }
  const clear = async () => (await command("acknowledge")) && (location.hash = "#now");
  return status.state === "tripped" ? [] : [button("Clear the bench", clear, { class: "primary" }), h("a", { class: "button", href: `#run/${encodeURIComponent(status.run_id)}` }, "The whole run")];
}

async function away(view, status) {
  const isOn = status.state === "running" || status.state === "checking";
  put(view.otherText, isOn ? "The relay is on. Press Pause, then lift, rinse and gauge the plate." : "No run on the bench. A past run can be gauged or weighed from its own page.");
  const { runs } = await get(query("/api/runs", { limit: 1 })).catch(() => ({ runs: [] }));
  view.latest.replaceChildren(...(isOn ? [] : runs.map((run) => h("a", { class: "button", href: `#run/${encodeURIComponent(run.run_id)}` }, `Latest: ${run.piece || "without a name"}`))));
}
