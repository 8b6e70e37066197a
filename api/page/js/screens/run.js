// One past run: result, curves, events, readings, settings; again, compare, print, take away.

import { button, h, pairs, put, show } from "../base/dom.js";
import { Curves } from "../pictures/curves.js";
import { draftOf } from "../prepare/draft.js";
import { EventList } from "../records/event_list.js";
import { printed } from "../base/numbers.js";
import { planFigures, planLimits } from "../prepare/plan_panel.js";
import { ReadingForm } from "../records/reading_form.js";
import { ReadingList } from "../records/reading_list.js";
import {
  fetchRun,
  flatSettings,
  reachedDepth,
  runFacts,
  runRequest,
} from "../records/run_record.js";
import { resultOf } from "./runs.js";
import { plateShown } from "../pictures/picture_box.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { path, query } from "../base/server.js";
import { text } from "../base/text.js";

/** Build the screen. */
export function runScreen(store, shared) {
  const view = build(shared.pictures);
  let runId = null;
  view.form.onkept = () => view.list.fetch(runId);

  async function enter([id]) {
    runId = id ?? "";
    for (const part of [view.facts, view.links, view.record]) part.replaceChildren();
    put(view.title, text("run.heading"));
    put(view.result, "");
    put(view.problem, "");
    try {
      await fill(await fetchRun(runId));
    } catch (error) {
      put(view.problem, error.message);
      show(view.body, false);
    }
  }

  async function fill(record) {
    const { run, plan, settings } = record;
    show(view.body, true);
    put(view.title, run.piece || text("app.unnamed_piece"));
    put(view.result, resultOf(run));
    put(view.message, printed(run.message));
    view.section.show(plateOf(plan), reachedDepth(run));
    view.facts.replaceChildren(pairs(runFacts(record)));
    view.links.replaceChildren(
      button(text("run.again"), () => again(plan), { class: "primary" }),
      h("a", { class: "button", href: `#sheet/${encodeURIComponent(runId)}` }, text("run.print")),
      tableLink(runId, "samples", "csv"),
      tableLink(runId, "samples", "json"),
      tableLink(runId, "events", "csv"),
    );
    const folded = (name, list) => h("details", {}, h("summary", {}, text(`run.${name}`)), list);
    const named = pairs(flatSettings(settings), { class: "pairs names" });
    view.record.replaceChildren(
      h("h2", {}, text("run.asked_for")),
      pairs(runRequest(record)),
      folded("planned", pairs([...planFigures(plan), ...planLimits(plan)])),
      folded("settings", named),
    );
    view.form.runId = runId;
    const depth = reachedDepth(run);
    view.form.about(plateShown(plan, depth?.best ?? 0), depth ?? { best: 0 });
    view.events.clear(runId);
    const curve = { title: run.piece, data: record.data, targetMm: plan.target_depth_mm };
    view.curves.show([{ ...curve, marks: [] }]);
    await Promise.all([view.events.fetch(runId), view.list.fetch(runId)]);
    view.curves.show([{ ...curve, marks: view.events.marks() }]);
  }

  function again(plan) {
    Object.assign(shared, { draft: draftOf(plan.request), plan: null, request: null });
    shared.keep();
    location.hash = "#prepare";
  }

  return { element: view.element, enter };
}

/** Return a link that downloads a table of a run. */
function tableLink(runId, name, format) {
  const href = query(path("runs", runId, name), { format });
  const download = `${runId}-${name}.${format}`;
  return h("a", { class: "button", href, download }, text(`run.${name}_${format}`));
}

function build(pictures) {
  const view = {
    title: h("h1", {}, text("run.heading")),
    result: h("p", { class: "empty-line" }),
    message: h("p", {}),
    problem: h("p", { class: "problem", role: "alert" }),
    facts: h("div", {}),
    links: h("div", { class: "row" }),
    record: h("div", {}),
    section: new Section({ floor: "reached" }),
    curves: new Curves(),
    events: new EventList(),
    list: new ReadingList(() => {}),
    form: new ReadingForm(() => {}, pictures),
  };
  const part = (name, holder = view[name]) => [h("h2", {}, text(`run.${name}`)), holder.element];
  const result = [view.result, view.message, view.section.element];
  const summary = h("summary", {}, text("run.add_reading"));
  const addReading = h("details", {}, summary, view.form.element);
  view.body = h(
    "div",
    { class: "run" },
    h("div", {}, ...result, view.facts, view.links, view.record),
    h("div", {}, ...part("curves"), ...part("events"), ...part("readings", view.list), addReading),
  );
  view.element = h("div", { class: "screen screen-run" }, view.title, view.problem, view.body);
  return view;
}
