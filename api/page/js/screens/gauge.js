// Gauge: where the plate is, the readings, what they change, and the next step.

import { button, h, put, show } from "../base/dom.js";
import { say } from "../base/announcer.js";
import { command } from "../frame/commands.js";
import { bounds, fixed, withUnit } from "../base/numbers.js";
import { plateShown } from "../pictures/picture_box.js";
import { PLATE_LINES, plateAnswers, standsAt } from "../frame/prompt.js";
import { ReadingForm } from "../records/reading_form.js";
import { ReadingList } from "../records/reading_list.js";
import { get, query } from "../base/server.js";
import { place } from "../base/taps.js";
import { text } from "../base/text.js";

const OFF = new Set(["paused", "finished", "stopped", "interrupted", "tripped"]);
const OPEN = new Set(["paused", "interrupted"]);

/** Build the screen. */
export function gaugeScreen(store, pictures) {
  const view = build(store, pictures);
  let isSeen = false;
  let shownFor = "";

  const update = async () => {
    const { status } = store;
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
    put(view.position, standsAt(status));
    const depth = withUnit(status.depth_mm, 2, "mm");
    const target = withUnit(status.target_depth_mm, 2, "mm");
    put(view.estimate, text("gauge.estimate", { depth, target, ...bounds(status) }));
    ceiling(view, status);
    if (store.record !== null) view.form.about(...aboutPlate(store.record.plan, status));
    const key = [status.run_id, status.state, store.plateIs(), store.asksForPlate()].join();
    if (key !== shownFor) {
      shownFor = key;
      const isAsked = store.asksForPlate();
      put(view.plateLine, isAsked ? text("question.lift") : PLATE_LINES[store.plateIs()]);
      place(view.plate, plateAnswers(store));
      place(view.onward, onward(status));
      view.form.runId = status.run_id;
      return view.list.fetch(status.run_id);
    }
    return undefined;
  };
  store.on("status", update);
  store.on("plate", update);
  return {
    element: view.element,
    enter: () => {
      isSeen = true;
      shownFor = "";
      nothingChanged(view);
      return update();
    },
    leave: () => {
      isSeen = false;
    },
  };
}

function build(store, pictures) {
  const view = {
    position: h("p", { class: "empty-line" }),
    estimate: h("p", {}),
    plateLine: h("p", {}),
    plate: h("div", { class: "answers" }),
    ceiling: h("div", { class: "caution-box" }),
    onward: h("div", { class: "answers" }),
    otherText: h("p", {}),
    latest: h("p", {}),
  };
  view.change = h("section", { class: "change", "aria-labelledby": "change-title" });
  view.list = new ReadingList((answer) => changed(view, store, answer));
  view.form = new ReadingForm((answer) => {
    changed(view, store, answer);
    view.list.fetch(store.status.run_id);
  }, pictures);
  const heading = (name) => h("h2", {}, text(`gauge.${name}`));
  const plate = [view.plateLine, view.plate];
  const readings = [heading("readings"), view.list.element];
  view.ready = h(
    "div",
    { class: "gauge" },
    h("div", { class: "gauge-plate" }, view.position, view.estimate, heading("plate"), ...plate),
    h("div", { class: "gauge-reading" }, heading("reading"), view.form.element),
    h("div", { class: "gauge-onward" }, view.change, view.ceiling, heading("next"), view.onward),
    // Last, as it grows when the answer comes.
    h("div", { class: "gauge-readings" }, ...readings),
  );
  view.other = h("div", { class: "empty" }, view.otherText, view.latest);
  const title = h("h1", {}, text("gauge.heading"));
  view.element = h("div", { class: "screen screen-gauge" }, title, view.ready, view.other);
  show(view.ready, false);
  nothingChanged(view);
  show(view.ceiling, false);
  return view;
}

/** Keep room for what a reading changes: nothing moves when the answer comes. */
function nothingChanged(view) {
  view.change.replaceChildren(
    h("h2", { id: "change-title" }, text("gauge.changed")),
    h("p", { class: "quiet" }, text("gauge.nothing_changed")),
  );
}

/** Show the estimate before and after a reading. */
function changed(view, store, answer) {
  const { before, after } = answer;
  if (before === null) return;
  const column = (name) => h("th", { scope: "col" }, text(`gauge.${name}_column`));
  const row = (name, depth) =>
    h(
      "tr",
      {},
      h("th", { scope: "row" }, text(`gauge.${name}`)),
      h("td", {}, withUnit(depth.depth_mm, 2, "mm")),
      h("td", {}, text("gauge.between", bounds(depth))),
    );
  const head = h("tr", {}, h("td", {}), column("estimate"), column("between"));
  const rows = [row("before", before), row("after", after)];
  const charge = withUnit(answer.target_charge_coulombs, 0, "C");
  view.change.replaceChildren(
    h("h2", { id: "change-title", tabindex: "-1" }, text("gauge.changed")),
    h("table", {}, h("thead", {}, head), h("tbody", {}, rows)),
    ...(OPEN.has(store.status.state) ? [h("p", {}, text("gauge.stops_at", { charge }))] : []),
  );
  view.change.querySelector("h2").focus();
  const [before_mm, after_mm] = [before, after].map(({ depth_mm }) => fixed(depth_mm, 2));
  say(text("gauge.announcement", { before_mm, after_mm }));
}

/** Offer to raise a ceiling that comes before the target. Only a person raises it. */
function ceiling(view, status) {
  const { max_charge_coulombs, target_charge_coulombs } = status;
  const isBounded = status.state === "paused" && max_charge_coulombs !== null;
  const isFirst = isBounded && target_charge_coulombs > max_charge_coulombs;
  if (isFirst === !view.ceiling.hidden) return;
  show(view.ceiling, isFirst);
  const charge = withUnit(max_charge_coulombs, 0, "C");
  const raise = () => command("ceilings", { is_confirmed: true });
  view.ceiling.replaceChildren(
    h("p", {}, text("gauge.ceiling", { charge })),
    button(text("gauge.raise"), raise, { class: "wide" }),
  );
}

/** Return what the picture shows, and the depth in the middle of the widest floor. */
function aboutPlate(plan, { depth_mm, depth_low_mm, depth_high_mm }) {
  const depth = { best: depth_mm ?? 0, low: depth_low_mm, high: depth_high_mm };
  return [plateShown(plan, depth.best), depth];
}

function onward(status) {
  const byCommand = (name) => async () => (await command(name)) && (location.hash = "#now");
  if (OPEN.has(status.state)) {
    const finish = () => document.getElementById("stop-form").requestSubmit();
    return [
      button(text("question.carry_on"), byCommand("resume"), { class: "primary" }),
      button(text("gauge.finish"), finish),
    ];
  }
  if (status.state === "tripped") return [];
  return [
    button(text("question.clear"), byCommand("acknowledge"), { class: "primary" }),
    h("a", { class: "button", href: addressOf(status.run_id) }, text("gauge.whole_run")),
  ];
}

const addressOf = (runId) => `#run/${encodeURIComponent(runId)}`;

async function away(view, status) {
  const isOn = status.state === "running" || status.state === "checking";
  put(view.otherText, text(isOn ? "gauge.relay_on" : "gauge.no_run"));
  const { runs } = await get(query("/api/runs", { limit: 1 })).catch(() => ({ runs: [] }));
  const link = (run) => {
    const words = text("gauge.latest", { piece: run.piece || text("app.unnamed") });
    return h("a", { class: "button", href: addressOf(run.run_id) }, words);
  };
  view.latest.replaceChildren(...(isOn ? [] : runs.map(link)));
}
