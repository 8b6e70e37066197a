// Now: depth, time left, readings, curves and events of the run on the bench.

import { h, mark, put, show } from "../base/dom.js";
import { CurveData } from "../pictures/curve_data.js";
import { Curves } from "../pictures/curves.js";
import { DepthBar } from "../pictures/depth_bar.js";
import { EventList } from "../records/event_list.js";
import { bounds, clockwork, fixed, NONE, timeOfDay, withUnit } from "../base/numbers.js";
import { PlaceList } from "../pictures/place_list.js";
import { Section } from "../pictures/section.js";
import { PictureBox, plateShown } from "../pictures/picture_box.js";
import { plateOf } from "../pictures/section_geometry.js";
import { get, path, query } from "../base/server.js";
import { text } from "../base/text.js";
import { metalOf } from "../base/words.js";

const CURVE_POINTS = 600;
const OVER = new Set(["finished", "stopped"]);

/** Build the screen. */
export function nowScreen(store, pictures) {
  const view = build(new PictureBox(pictures));
  const data = new CurveData();
  const events = new EventList();
  const curves = new Curves();
  view.curveBox.append(curves.element);
  view.eventBox.append(events.element);
  events.onfetched = () => put(view.newest, events.newest());
  let isSeen = false;

  const update = (status) => {
    if (!isSeen) return;
    const hasRun = status.run_id !== null && status.depth_mm !== null;
    show(view.empty, !hasRun);
    show(view.run, hasRun);
    if (hasRun) fill(view, status, store.record);
  };
  const takeRecord = async (record) => {
    data.clear();
    if (record === null) return;
    view.section.show(plateOf(record.plan), depthOf(store.status));
    const run = {
      title: text("run.this_run"),
      data,
      targetMm: record.plan.target_depth_mm,
      marks: [],
    };
    curves.show([run]);
    events.follow(record.run.run_id);
    await takeCurve(record.run.run_id, data, store);
    run.marks = events.marks();
    curves.show([run]);
  };

  store.on("status", (status) => {
    update(status);
    if (data.follow(status)) curves.refresh();
  });
  store.on("record", takeRecord);
  store.on("state", (status) => events.follow(status.run_id));
  if (store.record !== null) takeRecord(store.record);
  return {
    element: view.element,
    enter: () => {
      isSeen = true;
      if (store.status !== null) update(store.status);
      curves.refresh();
    },
    leave: () => {
      isSeen = false;
    },
  };
}

/** Fetch the curve so far. Points of the live status that are newer stay. */
async function takeCurve(runId, data, store) {
  try {
    const { points } = await get(query(path("runs", runId, "samples"), { points: CURVE_POINTS }));
    if (store.status.run_id === runId) data.take(points);
  } catch {
    // The live status still draws; the older part comes with the next visit.
  }
}

function depthOf(status) {
  return { best: status.depth_mm ?? 0, low: status.depth_low_mm, high: status.depth_high_mm };
}

function build(pictures) {
  const view = {
    pictures,
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
    places: new PlaceList({ isFolded: true }),
    curveBox: h("div", {}),
    eventBox: h("div", {}),
    newest: h("p", { class: "newest" }),
    readings: new Map(),
  };
  const reading = (name) => {
    const [value, row] = [h("dd", {}), h("div", {}, h("dt", {}, text(`now.${name}`)))];
    row.append(value);
    view.readings.set(name, { value, row });
    return row;
  };
  view.run = h(
    "div",
    { class: "now" },
    h(
      "div",
      {},
      h(
        "section",
        { class: "now-depth", "aria-label": text("now.depth_and_time") },
        view.piece,
        h("p", { class: "depth live" }, view.depth, h("span", { class: "depth-unit" }, "mm")),
        h("div", { class: "live" }, view.between),
        view.bar.element,
        view.wanted,
        h(
          "div",
          { class: "times live" },
          h("p", {}, view.left, view.leftName),
          h("p", {}, view.ends, view.endsName),
        ),
      ),
      h(
        "section",
        { class: "now-section", "aria-label": text("now.section") },
        view.section.element,
        view.pictures.element,
      ),
      h(
        "section",
        { class: "now-readings", "aria-label": text("now.readings") },
        h(
          "dl",
          { class: "readings live" },
          ["current", "voltage", "density", "charge", "bath", "next_gauge_stop"].map(reading),
        ),
        view.places.element,
      ),
    ),
    h(
      "div",
      {},
      h("section", {}, h("h2", {}, text("now.curves")), view.curveBox),
      h("section", {}, h("h2", {}, text("now.events")), view.newest, view.eventBox),
    ),
  );
  view.empty = h(
    "section",
    { class: "empty" },
    h("p", { class: "empty-line" }, text("now.no_run")),
    h("p", {}, text("now.no_run_text")),
    h("p", {}, h("a", { class: "button primary", href: "#prepare" }, text("now.prepare"))),
  );
  const heading = h("h1", { class: "only-heard" }, text("now.heading"));
  view.element = h("div", { class: "screen screen-now" }, heading, view.empty, view.run);
  show(view.run, false);
  show(view.empty, false);
  return view;
}

function fill(view, status, record) {
  const piece = status.piece ?? text("app.unnamed_piece");
  const metal = metalOf(status.metal);
  put(view.piece, metal === null ? piece : text("now.piece_and_metal", { piece, metal }));
  put(view.depth, fixed(status.depth_mm, 2));
  put(view.between, text("now.probably", bounds(status)));
  put(view.wanted, wantedOf(status));
  view.places.show(status.places ?? [], status.metal_left_mm ?? null, status.target_place);
  fillTimes(view, status);
  const depth = depthOf(status);
  view.bar.show(depth, status.target_depth_mm, record?.plan.gauge_stops_mm ?? []);
  if (record !== null) {
    view.section.show(plateOf(record.plan), depth);
    view.pictures.show(plateShown(record.plan, depth.best));
  }
  set(view, "current", withUnit(status.current_a, 2, "A"));
  set(view, "voltage", withUnit(status.voltage_v, 2, "V"));
  set(view, "density", withUnit(status.current_density_a_per_dm2, 1, "A/dm\u00b2"));
  const target = withUnit(status.target_charge_coulombs, 0, "C");
  const charge_coulombs = fixed(status.charge_coulombs, 0);
  set(view, "charge", text("now.charge_of", { charge_coulombs, target }));
  const { bath_degc, next_gauge_stop_mm } = status;
  set(view, "bath", bath_degc === null ? null : withUnit(bath_degc, 1, "\u00b0C"));
  const stop = next_gauge_stop_mm === null ? null : withUnit(next_gauge_stop_mm, 2, "mm");
  set(view, "next_gauge_stop", stop);
}

/** Return the target, and where it is meant if its place is known. */
function wantedOf({ target_depth_mm, target_place, places }) {
  const depth = withUnit(target_depth_mm, 2, "mm");
  const place = (places ?? []).find(({ name }) => name === target_place)?.title;
  if (place === undefined) return text("now.target", { depth });
  return text("now.target_at", { depth, place });
}

function fillTimes(view, status) {
  const isOver = status.remaining_s === null || OVER.has(status.state);
  const isRunning = status.state === "running";
  const isRehearsal = status.rig === "rehearsal";
  const left = text(isRunning ? "now.left" : "now.left_when_carried_on");
  put(view.left, clockwork(isOver ? status.on_time_s : status.remaining_s));
  put(view.leftName, isOver ? text("now.etching_time") : left);
  const isOn = isRunning && !isOver;
  put(view.ends, isOn ? timeOfDay(endOf(status)) : NONE);
  mark(view.ends.parentNode, "data-absent", !isOn);
  put(view.endsName, text(isRehearsal ? "now.ends_rehearsal" : "now.ends"));
}

/** Return the time of day of the end, by the rehearsal's clock or this phone's. */
function endOf(status) {
  const now = status.rig === "rehearsal" ? new Date(status.at_utc).getTime() : Date.now();
  return new Date(now + status.remaining_s * 1000);
}

function set(view, name, words) {
  const { value, row } = view.readings.get(name);
  mark(row, "data-absent", words === null);
  put(value, words ?? NONE);
}
