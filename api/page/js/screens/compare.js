// Two runs side by side: their curves over one time, and what was different.

import { h, mark, put } from "../base/dom.js";
import { Curves } from "../pictures/curves.js";
import { planFigures, planLimits } from "../prepare/plan_panel.js";
import { fetchRun, flatSettings, runFacts, runWish } from "../records/run_papers.js";
import { resultOf } from "./runs.js";

/** Build the screen. */
export function compareScreen() {
  const curves = new Curves();
  const names = h("ul", { class: "keys" });
  const table = h("tbody", {});
  const heads = [0, 1].map(() => h("th", { scope: "col" }));
  const problem = h("p", { class: "problem", role: "alert" });
  const element = h(
    "div",
    { class: "screen screen-compare" },
    h("h1", {}, "Two runs compared"),
    problem,
    h("div", { class: "compare" },
      h("div", {}, h("h2", {}, "Curves"), names, curves.element),
      h("div", {}, h("h2", {}, "Side by side"), h("table", {}, h("thead", {}, h("tr", {}, h("td", {}), heads)), table))),
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
    const titles = both.map(({ run }, index) => `${index === 0 ? "A" : "B"}: ${run.piece || "without a name"}`);
    names.replaceChildren(...titles.map((title, index) => h("li", { class: `key key-${index}` }, title)));
    heads.forEach((head, index) => put(head, titles[index]));
    curves.show(both.map(({ data, plan }, index) => ({ title: titles[index], data, targetMm: plan.target_depth_mm, marks: [] })));
    const [first, second] = both.map((papers) => new Map(factsOf(papers)));
    const rows = [...new Set([...first.keys(), ...second.keys()])].map((name) => row(name, first.get(name) ?? "\u2013", second.get(name) ?? "\u2013"));
    table.replaceChildren(...rows.filter((line) => line !== null));
  }

  return { element, enter };
}

function factsOf(papers) {
  const always = [["Result", resultOf(papers.run)], ...runFacts(papers), ...runWish(papers), ...planFigures(papers.plan), ...planLimits(papers.plan)];
  const settings = flatSettings(papers.settings).map(([name, value]) => [`setting ${name}`, value]);
  return [...always.filter(([, value]) => value !== null), ...settings];
}

/** Return a line of the table; settings that agree are left out. */
function row(name, first, second) {
  const differs = first !== second;
  if (!differs && name.startsWith("setting ")) return null;
  const line = h("tr", {}, h("th", { scope: "row" }, name, differs ? h("span", { class: "differs" }, "differs") : null), h("td", {}, first), h("td", {}, second));
  mark(line, "data-differs", differs);
  return line;
}
