// A trip fills the screen: what happened, value and limit, what to do. Stop stays live below it.

import { command } from "./commands.js";
import { button, byId, h, mark, put, show } from "../base/dom.js";
import { clockwork, fixed, printed, withUnit } from "../base/numbers.js";
import { reshape, shape } from "../base/shapes.js";
import { cancelDialogs, coverScreens } from "../base/dialog.js";
import { text } from "../base/text.js";

/** Decimals of a value, by its unit. */
const DIGITS = { A: 3, V: 2, s: 1, C: 1, mm: 3, degC: 1, "%": 0 };

/** Show the trip's screen while the rig is tripped or its relay is welded. */
export function keepTrip(bench) {
  const view = build();
  byId("trip").append(view.body);
  let isShown = false;
  bench.on("status", (status) => {
    const isTrip = status.state === "tripped" || status.relay_welded;
    if (isTrip) fill(view, status);
    if (isTrip !== isShown) {
      isShown = isTrip;
      cover(isTrip);
    }
  });
}

function build() {
  const view = {
    shape: shape("tripped"),
    title: h("h1", { id: "trip-title", tabindex: "-1" }),
    plug: h("p", { class: "plug" }, text("trip.pull_the_plug")),
    what: h("p", { class: "trip-what" }),
    figures: h("dl", { class: "trip-figures" }),
    value: h("dd"),
    limit: h("dd"),
    todoTitle: h("h2", {}, text("trip.what_to_do")),
    todo: h("p", { class: "trip-todo" }),
    kept: h("p", { class: "quiet" }),
    acknowledge: button(text("trip.acknowledge"), () => command("acknowledge"), {
      class: "primary wide",
    }),
  };
  view.valueRow = h("div", {}, h("dt", {}, text("trip.measured")), view.value);
  view.limitRow = h("div", {}, h("dt", {}, text("trip.limit")), view.limit);
  view.figures.append(view.valueRow, view.limitRow);
  view.body = h(
    "div",
    { class: "trip-body" },
    h("div", { class: "trip-head" }, view.shape, view.title),
    view.plug,
    view.what,
    view.figures,
    view.todoTitle,
    view.todo,
    view.kept,
    view.acknowledge,
  );
  return view;
}

function fill(view, status) {
  const isWelded = status.relay_welded;
  // The first reason stays when a weld is found later: then the newest message is about the weld.
  const finding = isWelded && status.reason !== "relay_welded" ? null : status.finding;
  const { value, limit } = finding ?? { value: null, limit: null };
  put(view.title, isWelded ? text("trip.relay_welded") : (finding?.title ?? text("trip.tripped")));
  reshape(view.shape, "tripped");
  show(view.plug, isWelded);
  put(view.what, printed(finding?.what ?? status.message));
  show(view.figures, value !== null);
  show(view.limitRow, limit !== null);
  put(view.value, printed(withUnit(value, DIGITS[finding?.unit], finding?.unit)));
  put(view.limit, printed(withUnit(limit, DIGITS[finding?.unit], finding?.unit)));
  show(view.todoTitle, finding !== null);
  show(view.todo, finding !== null);
  put(view.todo, printed(finding?.advice));
  put(view.kept, keptText(status));
  mark(byId("trip"), "data-welded", isWelded);
}

/** Return how the relay reads, and how deep the run has come. */
function keptText(status) {
  const key = status.relay_on ? "trip.relay_on" : "trip.relay_off";
  if (status.depth_mm === null) return text(key);
  const values = { depth_mm: fixed(status.depth_mm, 2), time: clockwork(status.on_time_s) };
  return text(`${key}_at`, values);
}

/** Cover or uncover the screens; the commands below stay live. */
function cover(isCovered) {
  show(byId("trip"), isCovered);
  if (isCovered) cancelDialogs();
  coverScreens();
  if (isCovered) byId("trip-title").focus();
  else byId("main").focus({ preventScroll: true });
}
