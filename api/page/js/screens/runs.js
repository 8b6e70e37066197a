// Past runs: small pictures, search, two to compare.

import { button, h, mark, put, show } from "../base/dom.js";
import { bounds, fixed, moment, withUnit } from "../base/numbers.js";
import { get, path, query } from "../base/server.js";
import { shape } from "../base/shapes.js";
import { text } from "../base/text.js";
import { draw, sketch } from "../pictures/sketch.js";
import { metalOf, stateOf } from "../base/words.js";

const AT_ONCE = 20;
const SEARCH_AFTER_MS = 300;
const SKETCH_POINTS = 48;

/** Build the screen. */
export function runsScreen() {
  const chosen = new Set();
  const input = h("input", {
    id: "search",
    type: "search",
    autocomplete: "off",
    maxlength: "200",
    oninput: () => later(),
  });
  const count = h("p", { class: "only-heard", role: "status" });
  const list = h("ul", { class: "run-list" });
  const more = button(text("runs.older"), () => fetchPart(next), { class: "wide" });
  const off = { class: "button", href: "#runs", "aria-disabled": "true" };
  const compare = h("a", off, text("runs.compare"));
  compare.addEventListener("click", (event) => chosen.size !== 2 && event.preventDefault());
  const label = h("label", { for: "search" }, text("runs.search"));
  const element = h(
    "div",
    { class: "screen screen-runs" },
    h("h1", {}, text("runs.heading")),
    h("div", { class: "run-tools" }, h("div", {}, label, input), compare),
    count,
    list,
    more,
  );
  let next = null;
  let timer = null;
  let asked = 0;

  function later() {
    clearTimeout(timer);
    timer = setTimeout(() => fetchPart(null), SEARCH_AFTER_MS);
  }

  async function fetchPart(before) {
    asked += 1;
    const own = asked;
    let part;
    try {
      part = await get(query("/api/runs", { limit: AT_ONCE, before, search: input.value.trim() }));
    } catch (error) {
      return put(count, error.message);
    }
    if (own !== asked) return undefined;
    if (before === null) list.replaceChildren();
    list.append(...part.runs.map((run) => row(run, chosen, choose)));
    const shown = list.children.length;
    if (shown === 0) {
      const words = text(input.value === "" ? "runs.none" : "runs.none_found");
      list.append(h("li", { class: "empty" }, words));
    }
    next = part.next_before;
    show(more, next !== null);
    return put(count, shown === 0 ? text("runs.none_shown") : text("runs.shown", { count: shown }));
  }

  function choose(runId, isChosen) {
    if (isChosen) chosen.add(runId);
    else chosen.delete(runId);
    while (chosen.size > 2) {
      const [first] = chosen;
      chosen.delete(first);
      const box = [...list.querySelectorAll("input")].find((known) => known.value === first);
      if (box !== undefined) box.checked = false;
    }
    const keys = ["runs.compare", "runs.compare_one_more", "runs.compare_these"];
    put(compare, text(keys[chosen.size]));
    const isReady = chosen.size === 2;
    mark(compare, "aria-disabled", isReady ? null : "true");
    const ids = [...chosen].map(encodeURIComponent);
    compare.href = isReady ? `#compare/${ids.join("/")}` : "#runs";
  }

  return { element, enter: () => fetchPart(null) };
}

/** Return the line of a run. */
function row(run, chosen, choose) {
  const address = `#run/${encodeURIComponent(run.run_id)}`;
  const picture = sketch([], run.target_depth_mm);
  get(query(path("runs", run.run_id, "samples"), { points: SKETCH_POINTS }))
    .then(({ points }) => draw(picture, points, run.target_depth_mm))
    .catch(() => {});
  const piece = run.piece || text("app.unnamed");
  const time = moment(run.started_at_utc);
  const box = h("input", {
    type: "checkbox",
    value: run.run_id,
    checked: chosen.has(run.run_id),
    "aria-label": text("runs.compare_run", { piece, time }),
  });
  box.addEventListener("change", () => choose(run.run_id, box.checked));
  const state = run.reason_title ?? stateOf(run.state);
  return h(
    "li",
    { class: "run-row" },
    h(
      "a",
      { href: address },
      picture,
      h(
        "span",
        { class: "run-words" },
        h("strong", {}, piece),
        h("span", {}, depthOf(run)),
        h("span", { class: "run-state" }, shape(run.state), state),
        h("span", { class: "quiet" }, originOf(run, time)),
      ),
    ),
    h("label", { class: "run-tick" }, box),
  );
}

function depthOf(run) {
  if (run.depth_mm === null) return text("runs.no_depth");
  const target = withUnit(run.target_depth_mm, 2, "mm");
  return text("runs.depth", { depth_mm: fixed(run.depth_mm, 2), target });
}

function originOf(run, time) {
  const values = { metal: metalOf(run.metal), time };
  if (!run.bath) return text("runs.metal_and_time", values);
  return text("runs.metal_bath_and_time", { ...values, bath: run.bath });
}

/** Return the result of a run in words. */
export function resultOf(run) {
  if (run.depth_mm === null) return text("runs.no_result");
  return text("runs.result", { depth: withUnit(run.depth_mm, 2, "mm"), ...bounds(run) });
}
