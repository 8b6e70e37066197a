// The run sheet: one page to print and to keep with the piece.

import { button, h, pairs, put } from "../base/dom.js";
import { EventList, eventText } from "../records/event_list.js";
import { moment, timeOfDay, withUnit } from "../base/numbers.js";
import { ReadingList, readingText } from "../records/reading_list.js";
import { fetchRun, runFacts, runWish } from "../records/run_papers.js";
import { resultOf } from "./runs.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { printedCurve } from "../pictures/sketch.js";

const MOST_EVENTS = 9;
const MOST_READINGS = 4;
const SECTION_PX = 470;

/** Build the screen. */
export function sheetScreen() {
  const page = h("article", { class: "sheet", "aria-label": "Run sheet" });
  const problem = h("p", { class: "problem", role: "alert" });
  const element = h(
    "div",
    { class: "screen screen-sheet" },
    h("h1", { class: "not-printed" }, "Run sheet"),
    h("p", { class: "not-printed row" }, button("Print", () => window.print(), { class: "primary" })),
    problem,
    page,
  );

  async function enter([runId]) {
    put(problem, "");
    page.replaceChildren();
    try {
      const papers = await fetchRun(runId);
      const [events, readings] = [new EventList(), new ReadingList(() => {})];
      events.runId = runId;
      await Promise.all([events.fetch(runId), readings.fetch(runId)]);
      page.replaceChildren(...sheet(papers, events.events, readings.standing()));
    } catch (error) {
      put(problem, error.message);
    }
  }

  return { element, enter };
}

function sheet(papers, events, readings) {
  const { run, plan, data } = papers;
  const curve = (title, unit, values, digits, target) => printedCurve(title, unit, data.minutes.map((minutes, i) => [minutes, values[i]]), digits, target);
  const told = shortened(events, MOST_EVENTS);
  const section = new Section({ word: "reached", width: SECTION_PX });
  section.show(plateOf(plan), { best: run.depth_mm ?? 0, low: run.depth_low_mm, high: run.depth_high_mm });
  return [
    h("header", { class: "sheet-head" }, h("h2", {}, run.piece || "Piece without a name"), h("p", {}, `${moment(run.started_at_utc)}, run ${run.run_id}`)),
    h("p", { class: "sheet-result" }, resultOf(run), h("span", {}, ` of ${withUnit(run.target_depth_mm, 3, "mm")} wanted`)),
    h("div", { class: "sheet-columns" }, h("div", {}, pairs([...runFacts(papers), ["Metal lost, planned", withUnit(plan.metal_removed_g, 2, "g")],
      ["Undercut a side", withUnit((run.depth_mm ?? 0) / plan.etch_factor, 3, "mm")], ["Bite factor", plan.bite_factor.toFixed(2)]]), section.element), pairs(runWish(papers))),
    curve("Depth", "mm", data.depth, 3, plan.target_depth_mm), curve("Current", "A", data.current, 2), curve("Voltage", "V", data.voltage, 2),
    h("div", { class: "sheet-columns" },
      h("div", {}, h("h3", {}, "Events"), h("ul", {}, told.map((event) => h("li", {}, event === null ? "\u2026" : `${timeOfDay(new Date(event.at_utc))} ${eventText(event)}`)))),
      h("div", {}, h("h3", {}, "Readings"), readings.length === 0 ? h("p", {}, "None") : h("ul", {}, readings.slice(-MOST_READINGS).map((reading) => h("li", {}, readingText(reading)))),
        h("h3", {}, "Remarks"), h("div", { class: "remarks" }))),
  ];
}

/** Return the first and last events, null between them, when there are more than fit. */
function shortened(events, most) {
  if (events.length <= most) return events;
  const head = Math.floor(most / 2);
  return [...events.slice(0, head), null, ...events.slice(head + 1 - most)];
}
