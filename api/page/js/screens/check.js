// The rig check, step by step with its readings. It never switches anything on.

import { button, h, mark, put } from "../base/dom.js";
import { fixed, printed, withUnit } from "../base/numbers.js";
import { getPatiently } from "../base/server.js";
import { shape } from "../base/shapes.js";

const DIGITS = { A: 4, V: 3, s: 2 };

/** Return one line of a check: what, how it is, its reading and limit. */
export function checkLine(item) {
  const digits = DIGITS[item.unit] ?? 3;
  const reading = item.value === null ? "" : withUnit(item.value, digits, printed(item.unit));
  const limit = item.limit === null ? "" : `limit ${withUnit(item.limit, digits, printed(item.unit))}`;
  const word = item.passed ? "well" : "not well";
  return h(
    "li",
    { class: "check", "data-passed": item.passed ? "yes" : "no" },
    shape(item.passed ? "good" : "bad"),
    h("div", {},
      h("p", { class: "check-name" }, item.name[0].toUpperCase() + item.name.slice(1), h("span", { class: "check-word" }, word)),
      h("p", { class: "check-reading" }, [reading, limit].filter(Boolean).join(", ")),
      h("p", { class: "quiet" }, printed(item.note))),
  );
}

/** Return the sensor's headroom for a plan, as a line of the check. */
export function headroomLine(plan) {
  const share = fixed(100 * plan.range_fraction, 0);
  return { name: "shunt headroom", passed: plan.range_fraction <= 0.85, value: null, limit: null, unit: "", note: `the over-current limit of ${fixed(plan.max_current_a, 2)} A uses ${share} % of the sensor\u2019s range, at most 85 %` };
}

/** Build the screen. */
export function checkScreen(bench, shared) {
  const verdict = h("p", { class: "verdict", role: "status" });
  const list = h("ol", { class: "checks" });
  const proven = h("div", {});
  const next = h("a", { class: "button primary wide", href: "#begin" }, "Next: cautions and Start");
  next.addEventListener("click", (event) => next.getAttribute("aria-disabled") === "true" && event.preventDefault());
  const element = h(
    "div",
    { class: "screen screen-check" },
    h("h1", {}, "Rig check"),
    h("p", {}, "With the relay off. Nothing is switched on here; switch the supply on, so that a welded contact can show."),
    verdict,
    list,
    proven,
    h("div", { class: "stack" }, button("Read again", () => read(), { class: "wide" }), next, h("a", { href: "#prepare", class: "button wide" }, "Back to the piece")),
  );

  async function read() {
    put(verdict, "Reading the sensor\u2026");
    mark(next, "aria-disabled", "true");
    try {
      show(await getPatiently("/api/rig-check"));
    } catch (error) {
      put(verdict, error.message);
      mark(verdict, "data-passed", "no");
    }
  }

  function show(check) {
    const items = [...check.items, ...(shared.plan === null ? [] : [headroomLine(shared.plan)])];
    list.replaceChildren(...items.map(checkLine));
    const isPlanned = shared.plan !== null;
    put(verdict, check.passed ? "All that can be checked now is well." : printed(check.message ?? "Something is not well."));
    mark(verdict, "data-passed", check.passed ? "yes" : "no");
    mark(next, "aria-disabled", check.passed && isPlanned ? null : "true");
    proven.replaceChildren(
      h("h2", {}, "What this cannot prove"),
      h("ul", {}, check.not_proven.map((text) => h("li", {}, text))),
      ...(check.host_notes.length ? [h("h2", {}, "This machine"), h("ul", {}, check.host_notes.map((text) => h("li", {}, text)))] : []),
      ...(isPlanned ? [] : [h("p", { class: "problem" }, "There is no plan: go back to the piece.")]),
    );
  }

  return { element, enter: read };
}
