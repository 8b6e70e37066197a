// The plan as it is now: charge, time, interval, ceilings, and everything that may go wrong.

import { h, mark, put } from "../base/dom.js";
import { sentence } from "../base/field.js";
import { clockwork, fixed, interval, NONE, printed, withUnit } from "../base/numbers.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { shape } from "../base/shapes.js";

const FIGURES = [
  ["Charge", (plan) => withUnit(plan.charge_coulombs, 0, "C")],
  ["Time with the relay on", (plan) => clockwork(plan.duration_s)],
  ["Current", (plan) => withUnit(plan.current_a, 2, "A")],
  ["Current density", (plan) => withUnit(plan.current_density_a_per_dm2, 1, "A/dm\u00b2")],
  ["Bare metal in the bath", (plan) => withUnit(plan.total_area_mm2 / 100, 2, "cm\u00b2")],
  ["Depth, 95\u00a0% sure", (plan) => `${interval(plan.depth_low_mm, plan.depth_high_mm, 3)} mm`],
  ["Undercut a side", (plan) => withUnit(plan.target_depth_mm / plan.etch_factor, 3, "mm")],
  ["Metal lost", (plan) => `${withUnit(plan.metal_removed_g, 2, "g")}${ofSheet(plan)}`],
  ["Bite and etch factor", (plan) => `${fixed(plan.bite_factor, 2)} and ${fixed(plan.etch_factor, 2)}`],
  ["Warming of the bath", (plan) => (plan.warming_k === null ? null : withUnit(plan.warming_k, 1, "K"))],
];

const LIMITS = [
  ["Charge, at most", (plan) => withUnit(plan.max_charge_coulombs, 0, "C")],
  ["Time, at most", (plan) => clockwork(plan.max_on_time_s)],
  ["Current, at most", (plan) => withUnit(plan.max_current_a, 2, "A")],
  ["Mean depth, at most", (plan) => (plan.max_mean_depth_mm === null ? "not guarded" : withUnit(plan.max_mean_depth_mm, 3, "mm"))],
  ["Share of the sensor\u2019s range", (plan) => `${fixed(100 * plan.range_fraction, 0)} %`],
];

const ofSheet = (plan) => (plan.metal_removed_fraction === null ? "" : `, ${fixed(100 * plan.metal_removed_fraction, 1)} % of the sheet`);

const valued = (lines, plan) => lines.map(([name, valueOf]) => [name, valueOf(plan)]);

/** Return the figures of a plan as [term, value] pairs. */
export const planFigures = (plan) => valued(FIGURES, plan);

/** Return the limits that are fixed when the run starts. */
export const planLimits = (plan) => valued(LIMITS, plan);

/** Return everything that may go wrong, each as a line with a shape. */
export function planWarnings(plan) {
  return plan.warnings.map(({ text }) => h("div", { class: "caution" }, shape("warning"), h("p", {}, sentence(printed(text)))));
}

/** The plan beside the form. Its lines stand with and without a plan, so that nothing moves while one types. */
export class PlanPanel {
  constructor() {
    this.section = new Section({ word: "planned" });
    this.lines = [...FIGURES, ...LIMITS].map(([name, valueOf]) => ({ name, valueOf, value: h("dd", {}, NONE) }));
    const list = (lines) => h("dl", { class: "pairs" }, lines.map(({ name, value }) => h("div", {}, h("dt", {}, name), value)));
    this.figures = h("div", { class: "plan-figures" }, list(this.lines.slice(0, FIGURES.length)), h("h3", {}, "Limits fixed at the start"),
      list(this.lines.slice(FIGURES.length)));
    this.why = h("p", { class: "plan-why" });
    this.warnings = h("div", { class: "plan-warnings" });
    this.element = h("div", { class: "plan-panel" }, h("h2", { id: "plan-title" }, "The plan"), this.why,
      this.section.element, this.figures);
    this.line = h("p", { class: "plan-line", "aria-live": "off" }, "No plan yet");
    this.lack("");
  }

  show(plan) {
    const count = plan.warnings.length;
    put(this.why, count === 0 ? "Nothing to warn of." : `${count === 1 ? "One warning" : `${count} warnings`}, below and beside ${count === 1 ? "its field" : "their fields"}.`);
    put(this.line, `${clockwork(plan.duration_s)}, ${withUnit(plan.charge_coulombs, 0, "C")}, ${interval(plan.depth_low_mm, plan.depth_high_mm, 3)} mm`);
    this.section.show(plateOf(plan), { best: plan.target_depth_mm, low: plan.depth_low_mm, high: plan.depth_high_mm });
    for (const { valueOf, value } of this.lines) put(value, valueOf(plan) ?? NONE);
    this.warnings.replaceChildren(...(count ? [h("h3", {}, "What may go wrong"), ...planWarnings(plan)] : []));
    mark(this.element, "data-planned", "yes");
  }

  /** There is no plan: say why. */
  lack(why) {
    put(this.line, "No plan yet");
    put(this.why, why);
    for (const { value } of this.lines) put(value, NONE);
    this.warnings.replaceChildren();
    mark(this.element, "data-planned", "no");
  }
}
