// A trip fills the screen: what happened, value and limit, what to do, Acknowledge.
// Stop stays under the thumb.

import { command } from "./commands.js";
import { button, byId, h, mark, put, show } from "../base/dom.js";
import { clockwork, fixed, printed, withUnit } from "../base/numbers.js";
import { reshape, shape } from "../base/shapes.js";
import { cancelSheets, coverScreens } from "../base/sheet.js";

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
    plug: h("p", { class: "plug" }, "PULL THE PLUG"),
    what: h("p", { class: "trip-what" }),
    figures: h("dl", { class: "trip-figures" }),
    value: h("dd"),
    limit: h("dd"),
    todoTitle: h("h2", {}, "What to do"),
    todo: h("p", { class: "trip-todo" }),
    kept: h("p", { class: "quiet" }),
    acknowledge: button("Acknowledge", () => command("acknowledge"), { class: "primary wide" }),
  };
  view.valueRow = h("div", {}, h("dt", {}, "Measured"), view.value);
  view.limitRow = h("div", {}, h("dt", {}, "Limit"), view.limit);
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
  put(view.title, isWelded ? "The relay is welded" : finding?.title ?? "Tripped");
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
  const relay = status.relay_on
    ? "The relay output still reads on."
    : "The relay output reads off.";
  const depth =
    status.depth_mm === null
      ? ""
      : ` Depth so far ${fixed(status.depth_mm, 3)} mm after ${clockwork(status.on_time_s)}.`;
  put(view.kept, relay + depth);
  mark(byId("trip"), "data-welded", isWelded);
}

/** Cover or uncover the screens; the commands below stay live. */
function cover(isCovered) {
  show(byId("trip"), isCovered);
  if (isCovered) cancelSheets();
  coverScreens();
  if (isCovered) byId("trip-title").focus();
  else byId("main").focus({ preventScroll: true });
}
