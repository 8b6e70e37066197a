// One past run: result, curves, events, readings, settings; again, compare, print, take away.

import { button, h, pairs, put, show } from "../base/dom.js";
import { Curves } from "../pictures/curves.js";
import { draftOf } from "../prepare/draft.js";
import { EventList } from "../records/event_list.js";
import { printed } from "../base/numbers.js";
import { planFigures, planLimits } from "../prepare/plan_panel.js";
import { ReadingForm } from "../records/reading_form.js";
import { ReadingList } from "../records/reading_list.js";
import { fetchRun, flatSettings, runFacts, runWish } from "../records/run_papers.js";
import { resultOf } from "./runs.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { path, query } from "../base/server.js";

/** Build the screen. */
export function runScreen(bench, shared) {
  const view = build(shared);
  let runId = null;
  view.form.ontaken = () => view.list.fetch(runId);

  async function enter([id]) {
    runId = id ?? "";
    for (const part of [view.facts, view.links, view.papers]) part.replaceChildren();
    put(view.title, "A past run");
    put(view.result, "");
    put(view.problem, "");
    try {
      await fill(await fetchRun(runId));
    } catch (error) {
      put(view.problem, error.message);
      show(view.body, false);
    }
  }

  async function fill(papers) {
    const { run, plan, settings } = papers;
    show(view.body, true);
    put(view.title, run.piece || "Piece without a name");
    put(view.result, resultOf(run));
    put(view.message, printed(run.message));
    view.section.show(plateOf(plan), { best: run.depth_mm ?? 0, low: run.depth_low_mm, high: run.depth_high_mm });
    view.facts.replaceChildren(pairs(runFacts(papers)));
    view.links.replaceChildren(
      button("Do this again", () => again(plan), { class: "primary" }),
      h("a", { class: "button", href: `#sheet/${encodeURIComponent(runId)}` }, "Run sheet to print"),
      h("a", { class: "button", href: query(path("runs", runId, "samples"), { format: "csv" }), download: true }, "Seconds as CSV"),
      h("a", { class: "button", href: query(path("runs", runId, "samples"), { format: "json" }), download: true }, "Seconds as JSON"),
      h("a", { class: "button", href: query(path("runs", runId, "events"), { format: "csv" }), download: true }, "Events as CSV"),
    );
    view.papers.replaceChildren(
      h("h2", {}, "What was asked for"), pairs(runWish(papers)),
      h("details", {}, h("summary", {}, "What was planned"), pairs([...planFigures(plan), ...planLimits(plan)])),
      h("details", {}, h("summary", {}, "Settings in force"), pairs(flatSettings(settings), { class: "pairs names" })),
    );
    view.form.runId = runId;
    view.events.clear(runId);
    view.curves.show([{ title: run.piece, data: papers.data, targetMm: plan.target_depth_mm, marks: [] }]);
    await Promise.all([view.events.fetch(runId), view.list.fetch(runId)]);
    view.curves.show([{ title: run.piece, data: papers.data, targetMm: plan.target_depth_mm, marks: view.events.marks() }]);
  }

  function again(plan) {
    Object.assign(shared, { draft: draftOf(plan.request), plan: null, wish: null });
    shared.keep();
    location.hash = "#prepare";
  }

  return { element: view.element, enter };
}

function build() {
  const view = {
    title: h("h1", {}, "A past run"),
    result: h("p", { class: "empty-line" }),
    message: h("p", {}),
    problem: h("p", { class: "problem", role: "alert" }),
    facts: h("div", {}),
    links: h("div", { class: "row" }),
    papers: h("div", {}),
    section: new Section({ word: "reached" }),
    curves: new Curves(),
    events: new EventList(),
    list: new ReadingList(() => {}),
    form: new ReadingForm(() => {}),
  };
  view.body = h(
    "div",
    { class: "run" },
    h("div", {}, view.result, view.message, view.section.element, view.facts, view.links, view.papers),
    h("div", {}, h("h2", {}, "Curves"), view.curves.element, h("h2", {}, "Events"), view.events.element,
      h("h2", {}, "Readings"), view.list.element, h("details", {}, h("summary", {}, "Add a reading"), view.form.element)),
  );
  view.element = h("div", { class: "screen screen-run" }, view.title, view.problem, view.body);
  return view;
}
