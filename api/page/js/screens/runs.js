// Past runs: small pictures, search, two to compare.

import { button, h, mark, put, show } from "../base/dom.js";
import { fixed, interval, moment, withUnit } from "../base/numbers.js";
import { get, path, query } from "../base/server.js";
import { shape } from "../base/shapes.js";
import { draw, sketch } from "../pictures/sketch.js";
import { metalOf, stateOf } from "../base/words.js";

const AT_ONCE = 20;
const SEARCH_AFTER_MS = 300;
const SKETCH_POINTS = 48;

/** Build the screen. */
export function runsScreen() {
  const chosen = new Set();
  const input = h("input", { id: "search", type: "search", autocomplete: "off", maxlength: "200", oninput: () => later() });
  const count = h("p", { class: "only-heard", role: "status" });
  const list = h("ul", { class: "run-list" });
  const more = button("Older runs", () => fetchPart(next), { class: "wide" });
  const compare = h("a", { class: "button", href: "#runs", "aria-disabled": "true" }, "Compare two runs");
  compare.addEventListener("click", (event) => chosen.size !== 2 && event.preventDefault());
  const element = h(
    "div",
    { class: "screen screen-runs" },
    h("h1", {}, "Past runs"),
    h("div", { class: "run-tools" }, h("div", {}, h("label", { for: "search" }, "Search piece, metal, bath or state"), input), compare),
    count, list, more,
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
    if (list.children.length === 0) list.append(h("li", { class: "empty" }, input.value === "" ? "No run has been kept yet." : "No run has these words."));
    next = part.next_before;
    show(more, next !== null);
    return put(count, `${list.children.length} runs shown`);
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
    put(compare, chosen.size === 2 ? "Compare the two" : chosen.size === 1 ? "Tick one more to compare" : "Compare two runs");
    mark(compare, "aria-disabled", chosen.size === 2 ? null : "true");
    compare.href = chosen.size === 2 ? `#compare/${[...chosen].map(encodeURIComponent).join("/")}` : "#runs";
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
  const depth = run.depth_mm === null ? "no depth" : `${fixed(run.depth_mm, 3)} of ${withUnit(run.target_depth_mm, 3, "mm")}`;
  const name = run.piece || "without a name";
  const box = h("input", { type: "checkbox", value: run.run_id, checked: chosen.has(run.run_id), "aria-label": `Compare ${name}, ${moment(run.started_at_utc)}` });
  box.addEventListener("change", () => choose(run.run_id, box.checked));
  return h(
    "li",
    { class: "run-row" },
    h("a", { href: address }, picture,
      h("span", { class: "run-words" },
        h("strong", {}, name),
        h("span", {}, depth),
        h("span", { class: "run-state" }, shape(run.state), run.reason_title ?? stateOf(run.state).word),
        h("span", { class: "quiet" }, `${metalOf(run.metal)}${run.bath ? `, ${run.bath}` : ""}, ${moment(run.started_at_utc)}`))),
    h("label", { class: "run-tick" }, box),
  );
}

/** Return the result of a run in words. */
export function resultOf(run) {
  if (run.depth_mm === null) return "No depth counted";
  return `${withUnit(run.depth_mm, 3, "mm")}, ${interval(run.depth_low_mm, run.depth_high_mm, 3)}, 95\u00a0% sure`;
}
