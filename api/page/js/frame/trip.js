// A trip fills the screen: what happened, value and limit, what to do, Acknowledge. Stop stays under the thumb.

import { command } from "./commands.js";
import { button, byId, h, mark, put, show } from "../base/dom.js";
import { clockwork, fixed, printed } from "../base/numbers.js";
import { reshape, shape } from "../base/shapes.js";
import { cancelSheets, coverScreens } from "../base/sheet.js";
import { tripWords } from "./trip_words.js";
import { reasonOf } from "../base/words.js";

/** Keep the trip's screen: there while the bench is tripped or its relay is welded. */
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
    h("h2", {}, "What to do"),
    view.todo,
    view.kept,
    view.acknowledge,
  );
  return view;
}

function fill(view, status) {
  const words = tripWords(status.message);
  const isWelded = status.relay_welded;
  put(view.title, isWelded ? "The relay is welded" : reasonOf(status.reason) ?? "Tripped");
  reshape(view.shape, "tripped");
  show(view.plug, isWelded);
  put(view.what, `${printed(words.what)}.`);
  show(view.valueRow, words.value !== null);
  show(view.limitRow, words.limit !== null);
  show(view.figures, words.value !== null);
  put(view.value, printed(`${words.value}\u00a0${words.unit}`));
  put(view.limit, printed(`${words.limit}\u00a0${words.unit}`));
  put(view.todo, printed(words.todo));
  const relay = status.relay_on ? "The relay output still reads on." : "The relay output reads off.";
  const depth = status.depth_mm === null ? "" : ` Depth so far ${fixed(status.depth_mm, 3)} mm after ${clockwork(status.on_time_s)}.`;
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
