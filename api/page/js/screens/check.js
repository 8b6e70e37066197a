// The rig check with its readings. It never switches anything on.

import { button, h, mark, put } from "../base/dom.js";
import { fixed, printed, withUnit } from "../base/numbers.js";
import { getPatiently } from "../base/server.js";
import { shape } from "../base/shapes.js";
import { text } from "../base/text.js";

const DIGITS = { A: 4, V: 3, s: 2 };

/** Return one line of a check: its name, the result, reading and limit. */
export function checkLine(item) {
  const word = text(item.passed ? "check.item_well" : "check.item_not_well");
  const name = item.name[0].toUpperCase() + item.name.slice(1);
  return h(
    "li",
    { class: "check", "data-passed": item.passed ? "yes" : "no" },
    shape(item.passed ? "good" : "bad"),
    h(
      "div",
      {},
      h("p", { class: "check-name" }, name, h("span", { class: "check-word" }, word)),
      h("p", { class: "check-reading" }, readingOf(item)),
      h("p", { class: "quiet" }, printed(item.note)),
    ),
  );
}

function readingOf(item) {
  const digits = DIGITS[item.unit] ?? 3;
  const [value, limit] = [item.value, item.limit].map((number) =>
    number === null ? "" : withUnit(number, digits, printed(item.unit)),
  );
  if (limit === "") return value;
  if (value === "") return text("check.limit", { limit });
  return text("check.value_and_limit", { value, limit });
}

/** Return the sensor's headroom for a plan, as a line of the check. */
export function headroomLine(plan) {
  return {
    name: text("check.headroom"),
    passed: plan.range_fraction <= 0.85,
    value: null,
    limit: null,
    unit: "",
    note: text("check.headroom_note", {
      current_a: fixed(plan.max_current_a, 2),
      percent: fixed(100 * plan.range_fraction, 0),
    }),
  };
}

/** Return the verdict of a check. */
export function verdictOf(check) {
  if (check.passed) return text("check.all_well");
  return check.message === null ? text("check.not_well") : printed(check.message);
}

/** Return the notes on the machine below a heading of a level, "h2" or "h3". */
export function machineNotes(check, level) {
  if (check.host_notes.length === 0) return [];
  const notes = check.host_notes.map((note) => h("li", {}, note));
  return [h(level, {}, text("check.machine")), h("ul", {}, notes)];
}

/** Build the screen. */
export function checkScreen(store, shared) {
  const verdict = h("p", { class: "verdict", role: "status" });
  const list = h("ol", { class: "checks" });
  const proven = h("div", {});
  const next = h("a", { class: "button primary wide", href: "#begin" }, text("check.next"));
  next.addEventListener("click", (event) => {
    if (next.getAttribute("aria-disabled") === "true") event.preventDefault();
  });
  const again = button(text("check.again"), () => read(), { class: "wide" });
  const back = h("a", { href: "#prepare", class: "button wide" }, text("check.back"));
  const element = h(
    "div",
    { class: "screen screen-check" },
    h("h1", {}, text("check.heading")),
    h("p", {}, text("check.explanation")),
    verdict,
    list,
    proven,
    h("div", { class: "stack" }, again, next, back),
  );

  async function read() {
    put(verdict, text("check.reading"));
    mark(next, "aria-disabled", "true");
    try {
      show(await getPatiently("/api/rig-check"));
    } catch (error) {
      put(verdict, error.message);
      mark(verdict, "data-passed", "no");
    }
  }

  function show(check) {
    const isPlanned = shared.plan !== null;
    const headroom = isPlanned ? [headroomLine(shared.plan)] : [];
    list.replaceChildren(...[...check.items, ...headroom].map(checkLine));
    put(verdict, verdictOf(check));
    mark(verdict, "data-passed", check.passed ? "yes" : "no");
    mark(next, "aria-disabled", check.passed && isPlanned ? null : "true");
    proven.replaceChildren(
      h("h2", {}, text("check.not_proven")),
      h(
        "ul",
        {},
        check.not_proven.map((line) => h("li", {}, line)),
      ),
      ...machineNotes(check, "h2"),
      ...(isPlanned ? [] : [h("p", { class: "problem" }, text("check.no_plan"))]),
    );
  }

  return { element, enter: read };
}
