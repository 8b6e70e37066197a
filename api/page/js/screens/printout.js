// A run on paper: one page to print and to keep with the piece.

import { button, h, pairs, put } from "../base/dom.js";
import { EventList, eventText } from "../records/event_list.js";
import { fixed, moment, timeOfDay, withUnit } from "../base/numbers.js";
import { text } from "../base/text.js";
import { ReadingList, readingText } from "../records/reading_list.js";
import { fetchRun, reachedDepth, runFacts, runRequest } from "../records/run_record.js";
import { resultOf } from "./runs.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { printedCurve } from "../pictures/sketch.js";

const MOST_EVENTS = 9;
const MOST_READINGS = 4;
const SECTION_PX = 470;

/** Build the screen. */
export function printoutScreen() {
  const page = h("article", { class: "printout", "aria-label": text("printout.article") });
  const problem = h("p", { class: "problem", role: "alert" });
  const print = button(text("printout.print"), () => window.print(), { class: "primary" });
  const element = h(
    "div",
    { class: "screen screen-printout" },
    h("h1", { class: "not-printed" }, text("printout.heading")),
    h("p", { class: "not-printed row" }, print),
    problem,
    page,
  );

  async function enter([runId]) {
    put(problem, "");
    page.replaceChildren();
    try {
      const record = await fetchRun(runId);
      const [events, readings] = [new EventList(), new ReadingList(() => {})];
      events.runId = runId;
      await Promise.all([events.fetch(runId), readings.fetch(runId)]);
      page.replaceChildren(...printout(record, events.events, readings.counted()));
    } catch (error) {
      put(problem, error.message);
    }
  }

  return { element, enter };
}

function printout(record, events, readings) {
  const { run, plan, data } = record;
  const curve = (name, digits, target) => {
    const values = data.minutes.map((minutes, i) => [minutes, data[name][i]]);
    return printedCurve(name, values, digits, target);
  };
  const section = new Section({ floor: "reached", width: SECTION_PX });
  section.show(plateOf(plan), reachedDepth(run));
  const wanted = text("printout.wanted", { depth: withUnit(run.target_depth_mm, 2, "mm") });
  return [
    headOf(run),
    h("p", { class: "printout-result" }, resultOf(run), h("span", {}, wanted)),
    h(
      "div",
      { class: "printout-columns" },
      h("div", {}, pairs([...runFacts(record), ...planFacts(run, plan)]), section.element),
      pairs(runRequest(record)),
    ),
    curve("depth", 3, plan.target_depth_mm),
    curve("current", 2),
    curve("voltage", 2),
    h(
      "div",
      { class: "printout-columns" },
      h("div", {}, h("h3", {}, text("printout.events")), eventsOnPaper(events)),
      h("div", {}, h("h3", {}, text("printout.readings")), readingsOnPaper(readings), ...remarks()),
    ),
  ];
}

function headOf(run) {
  const started = text("printout.started", {
    time: moment(run.started_at_utc),
    run_id: run.run_id,
  });
  const title = h("h2", {}, run.piece || text("app.unnamed_piece"));
  return h("header", { class: "printout-head" }, title, h("p", {}, started));
}

function planFacts(run, plan) {
  const undercutMm = (run.depth_mm ?? 0) / plan.etch_factor;
  return [
    [text("printout.metal_planned"), withUnit(plan.metal_removed_g, 2, "g")],
    [text("printout.undercut"), withUnit(undercutMm, 2, "mm")],
    [text("printout.bite"), fixed(plan.bite_factor, 2)],
  ];
}

function eventsOnPaper(events) {
  const line = (event) => {
    if (event === null) return h("li", {}, "\u2026");
    const time = timeOfDay(new Date(event.at_utc));
    return h("li", {}, text("printout.event", { time, text: eventText(event) }));
  };
  return h("ul", {}, shortened(events, MOST_EVENTS).map(line));
}

function readingsOnPaper(readings) {
  if (readings.length === 0) return h("p", {}, text("app.none"));
  const line = (reading) => h("li", {}, readingText(reading));
  return h("ul", {}, readings.slice(-MOST_READINGS).map(line));
}

const remarks = () => [h("h3", {}, text("printout.remarks")), h("div", { class: "remarks" })];

/** Return the first and last events, null between them, when there are more than fit. */
function shortened(events, most) {
  if (events.length <= most) return events;
  const head = Math.floor(most / 2);
  return [...events.slice(0, head), null, ...events.slice(head + 1 - most)];
}
