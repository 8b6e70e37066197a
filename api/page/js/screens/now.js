// Now: how deep, how long, all well or not.

import { h, mark, put, show } from "../base/dom.js";
import { CurveData } from "../pictures/curve_data.js";
import { Curves } from "../pictures/curves.js";
import { DepthBar } from "../pictures/depth_bar.js";
import { EventList } from "../records/event_list.js";
import { clockwork, fixed, interval, timeOfDay, withUnit } from "../base/numbers.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { get, path, query } from "../base/server.js";
import { metalOf } from "../base/words.js";

const CURVE_POINTS = 600;

/** Build the screen. */
export function nowScreen(bench) {
  const view = build();
  const data = new CurveData();
  const events = new EventList();
  const curves = new Curves();
  view.curveBox.append(curves.element);
  view.eventBox.append(events.element);
  events.onnews = () => put(view.newest, events.newest());
  let isSeen = false;

  const update = (status) => {
    if (!isSeen) return;
    const hasRun = status.run_id !== null && status.depth_mm !== null;
    show(view.empty, !hasRun);
    show(view.run, hasRun);
    if (hasRun) fill(view, status, bench.papers);
  };
  const takePapers = async (papers) => {
    data.clear();
    if (papers === null) return;
    view.section.show(plateOf(papers.plan), depthOf(bench.status));
    const run = { title: "this run", data, targetMm: papers.plan.target_depth_mm, marks: [] };
    curves.show([run]);
    events.follow(papers.run.run_id);
    await takeCurve(papers.run.run_id, data, bench);
    run.marks = events.marks();
    curves.show([run]);
  };

  bench.on("status", (status) => {
    update(status);
    if (data.follow(status)) curves.refresh();
  });
  bench.on("papers", takePapers);
  bench.on("state", (status) => events.follow(status.run_id));
  if (bench.papers !== null) takePapers(bench.papers);
  return {
    element: view.element,
    enter: () => {
      isSeen = true;
      if (bench.status !== null) update(bench.status);
      curves.refresh();
    },
    leave: () => {
      isSeen = false;
    },
  };
}

/** Fetch the curve so far; what the live status brought meanwhile comes after it. */
async function takeCurve(runId, data, bench) {
  try {
    const { points } = await get(query(path("runs", runId, "samples"), { points: CURVE_POINTS }));
    if (bench.status.run_id === runId) data.take(points);
  } catch {
    // The live status goes on drawing; the older part comes with the next visit.
  }
}

function depthOf(status) {
  return { best: status.depth_mm ?? 0, low: status.depth_low_mm, high: status.depth_high_mm };
}

function build() {
  const view = {
    piece: h("p", { class: "piece" }),
    depth: h("span", { class: "depth-number" }),
    between: h("p", { class: "between" }),
    wanted: h("p", { class: "wanted" }),
    left: h("span", { class: "time-number" }),
    leftName: h("span", { class: "time-name" }),
    ends: h("span", { class: "time-number" }),
    endsName: h("span", { class: "time-name" }),
    bar: new DepthBar(),
    section: new Section(),
    curveBox: h("div", {}),
    eventBox: h("div", {}),
    newest: h("p", { class: "newest" }),
    readings: new Map(),
  };
  const reading = (name, title) => {
    const [value, row] = [h("dd", {}), h("div", {}, h("dt", {}, title))];
    row.append(value);
    view.readings.set(name, { value, row });
    return row;
  };
  view.run = h(
    "div",
    { class: "now" },
    h("div", {}, h(
      "section",
      { class: "now-depth", "aria-label": "Depth and time" },
      view.piece,
      h("p", { class: "depth live" }, view.depth, h("span", { class: "depth-unit" }, "mm")),
      h("div", { class: "live" }, view.between),
      view.bar.element,
      view.wanted,
      h("div", { class: "times live" }, h("p", {}, view.left, view.leftName), h("p", {}, view.ends, view.endsName)),
    ),
    h("section", { class: "now-section", "aria-label": "Cross-section of the plate" }, view.section.element),
    h(
      "section",
      { class: "now-readings", "aria-label": "Readings" },
      h(
        "dl",
        { class: "readings live" },
        reading("current", "Current"), reading("voltage", "Voltage"), reading("density", "Current density"),
        reading("charge", "Charge"), reading("bath", "Bath"), reading("gauge", "Next gauge stop"),
      ),
    )),
    h("div", {}, h("section", {}, h("h2", {}, "Curves"), view.curveBox),
      h("section", {}, h("h2", {}, "Events"), view.newest, view.eventBox)),
  );
  view.empty = h(
    "section",
    { class: "empty" },
    h("p", { class: "empty-line" }, "No run on the bench."),
    h("p", {}, "Prepare a piece: the plan says charge, time and what may go wrong, and the rig is checked with the relay off."),
    h("p", {}, h("a", { class: "button primary", href: "#prepare" }, "Prepare a piece")),
  );
  view.element = h("div", { class: "screen screen-now" }, h("h1", { class: "only-heard" }, "Now"), view.empty, view.run);
  show(view.run, false);
  show(view.empty, false);
  return view;
}

function fill(view, status, papers) {
  put(view.piece, [status.piece ?? "Piece without a name", metalOf(status.metal)].filter(Boolean).join(", "));
  put(view.depth, fixed(status.depth_mm, 3));
  put(view.between, `${interval(status.depth_low_mm, status.depth_high_mm, 3)} mm, 95\u00a0% sure`);
  put(view.wanted, `of ${withUnit(status.target_depth_mm, 3, "mm")} wanted`);
  fillTimes(view, status);
  const depth = depthOf(status);
  view.bar.show(depth, status.target_depth_mm, papers?.plan.gauge_stops_mm ?? []);
  if (papers !== null) view.section.show(plateOf(papers.plan), depth);
  set(view, "current", withUnit(status.current_a, 2, "A"));
  set(view, "voltage", withUnit(status.voltage_v, 2, "V"));
  set(view, "density", withUnit(status.current_density_a_per_dm2, 1, "A/dm\u00b2"));
  set(view, "charge", `${fixed(status.charge_coulombs, 0)} of ${withUnit(status.target_charge_coulombs, 0, "C")}`);
  set(view, "bath", status.bath_degc === null ? null : withUnit(status.bath_degc, 1, "\u00b0C"));
  set(view, "gauge", status.next_gauge_stop_mm === null ? null : withUnit(status.next_gauge_stop_mm, 3, "mm"));
}

function fillTimes(view, status) {
  const isOver = status.remaining_s === null;
  put(view.left, clockwork(isOver ? status.on_time_s : status.remaining_s));
  put(view.leftName, isOver ? "with the relay on" : status.state === "running" ? "left" : "left when resumed");
  const isOn = status.state === "running" && !isOver;
  put(view.ends, isOn ? timeOfDay(endOf(status)) : "\u2013");
  mark(view.ends.parentNode, "data-absent", !isOn);
  put(view.endsName, status.rig === "rehearsal" ? "ends, rehearsal\u2019s clock" : "ends");
}

/** Return the time of day of the end. The rehearsal bench has a clock of its own, a real bench has this phone's. */
function endOf(status) {
  const now = status.rig === "rehearsal" ? new Date(status.at_utc).getTime() : Date.now();
  return new Date(now + status.remaining_s * 1000);
}

function set(view, name, text) {
  const { value, row } = view.readings.get(name);
  mark(row, "data-absent", text === null);
  put(value, text ?? "\u2013");
}
