// Two runs side by side: their curves over one axis of time, and the differences.

import { h, mark, put } from "../base/dom.js";
import { NONE } from "../base/numbers.js";
import { text } from "../base/text.js";
import { Curves } from "../pictures/curves.js";
import { planFigures, planLimits } from "../prepare/plan_panel.js";
import { fetchRun, flatSettings, runFacts, runRequest } from "../records/run_record.js";
import { resultOf } from "./runs.js";

/** Build the screen. */
export function compareScreen() {
  const curves = new Curves();
  const names = h("ul", { class: "keys" });
  const table = h("tbody", {});
  const heads = [0, 1].map(() => h("th", { scope: "col" }));
  const head = h("thead", {}, h("tr", {}, h("td", {}), heads));
  const problem = h("p", { class: "problem", role: "alert" });
  const element = h(
    "div",
    { class: "screen screen-compare" },
    h("h1", {}, text("compare.heading")),
    problem,
    h(
      "div",
      { class: "compare" },
      h("div", {}, h("h2", {}, text("compare.curves")), names, curves.element),
      h("div", {}, h("h2", {}, text("compare.side_by_side")), h("table", {}, head, table)),
    ),
  );

  async function enter(ids) {
    put(problem, "");
    try {
      fill(await Promise.all(ids.slice(0, 2).map(fetchRun)));
    } catch (error) {
      put(problem, error.message);
    }
  }

  function fill(both) {
    const keys = ["compare.first", "compare.second"];
    const pieces = both.map(({ run }) => run.piece || text("app.unnamed"));
    const titles = pieces.map((piece, index) => text(keys[index], { piece }));
    const key = (title, index) => h("li", { class: `key key-${index}` }, title);
    names.replaceChildren(...titles.map(key));
    heads.forEach((head, index) => put(head, titles[index]));
    const curve = ({ data, plan }, index) => ({
      title: titles[index],
      data,
      targetMm: plan.target_depth_mm,
      marks: [],
    });
    curves.show(both.map(curve));
    const [first, second] = both.map((record) => new Map(factsOf(record)));
    const all = [...new Set([...first.keys(), ...second.keys()])];
    const rows = all.map((name) => row(name, first.get(name) ?? NONE, second.get(name) ?? NONE));
    table.replaceChildren(...rows.filter((line) => line !== null));
  }

  return { element, enter };
}

const SETTING = "setting ";

function factsOf(record) {
  const always = [
    [text("compare.result"), resultOf(record.run)],
    ...runFacts(record),
    ...runRequest(record),
    ...planned(record.plan),
  ];
  const settings = flatSettings(record.settings).map(([name, value]) => [SETTING + name, value]);
  return [...always.filter(([, value]) => value !== null), ...settings];
}

/** Return the planned figures under names of their own: a run has figures of the same name. */
function planned(plan) {
  const pairs = [...planFigures(plan), ...planLimits(plan)];
  return pairs.map(([name, value]) => [text("compare.planned", { name }), value]);
}

/** Return a line of the table. Settings that agree are left out. */
function row(key, first, second) {
  const differs = first !== second;
  const isSetting = key.startsWith(SETTING);
  if (!differs && isSetting) return null;
  const name = isSetting ? text("compare.setting", { name: key.slice(SETTING.length) }) : key;
  const note = differs ? h("span", { class: "differs" }, text("compare.differs")) : null;
  const term = h("th", { scope: "row" }, name, note);
  const line = h("tr", {}, term, h("td", {}, first), h("td", {}, second));
  mark(line, "data-differs", differs);
  return line;
}
