// The plan as it is now: charge, time, interval, ceilings, and everything that may go wrong.

import { h, pairs, put, show } from "./dom.js";
import { clockwork, fixed, interval, printed, withUnit } from "./numbers.js";
import { Section } from "./section.js";
import { plateOf } from "./section_geometry.js";
import { shape } from "./shapes.js";

/** Return the figures of a plan as [term, value] pairs. */
export function planFigures(plan) {
  const share = plan.metal_removed_fraction === null ? "" : `, ${fixed(100 * plan.metal_removed_fraction, 1)} % of the sheet`;
  return [
    ["Charge", withUnit(plan.charge_coulombs, 0, "C")],
    ["Time with the relay on", clockwork(plan.duration_s)],
    ["Current", withUnit(plan.current_a, 2, "A")],
    ["Current density", withUnit(plan.current_density_a_per_dm2, 1, "A/dm\u00b2")],
    ["Bare metal in the bath", withUnit(plan.total_area_mm2 / 100, 2, "cm\u00b2")],
    ["Depth, with 95 %", `${interval(plan.depth_low_mm, plan.depth_high_mm, 3)} mm`],
    ["Undercut a side", withUnit(plan.target_depth_mm / plan.etch_factor, 3, "mm")],
    ["Metal lost", `${withUnit(plan.metal_removed_g, 2, "g")}${share}`],
    ["Bite factor", `${fixed(plan.bite_factor, 2)}, etch factor ${fixed(plan.etch_factor, 2)}`],
    ["Warming of the bath", plan.warming_k === null ? null : withUnit(plan.warming_k, 1, "K")],
  ];
}

/** Return the limits that are fixed when the run starts. */
export function planLimits(plan) {
  return [
    ["Charge, at most", withUnit(plan.max_charge_coulombs, 0, "C")],
    ["Time, at most", clockwork(plan.max_on_time_s)],
    ["Current, at most", withUnit(plan.max_current_a, 2, "A")],
    ["Mean depth, at most", plan.max_mean_depth_mm === null ? "not guarded" : withUnit(plan.max_mean_depth_mm, 3, "mm")],
    ["Share of the sensor\u2019s range", `${fixed(100 * plan.range_fraction, 0)} %`],
  ];
}

/** Return everything that may go wrong, each as a line with a shape. */
export function planWarnings(plan) {
  return plan.warnings.map(({ text }) => h("div", { class: "caution" }, shape("warning"), h("p", {}, `${printed(text[0].toUpperCase() + text.slice(1))}.`)));
}

/** The plan beside the form. */
export class PlanPanel {
  constructor() {
    this.section = new Section({ word: "planned" });
    this.figures = h("div", { class: "plan-figures" });
    this.why = h("p", { class: "quiet" }, "");
    this.warnings = h("div", {});
    this.element = h("section", { class: "plan-panel", "aria-labelledby": "plan-title" }, h("h2", { id: "plan-title" }, "The plan"), this.why, this.section.element, this.figures, this.warnings);
    this.line = h("p", { class: "plan-line", "aria-live": "off" }, "No plan yet");
  }

  show(plan) {
    put(this.why, "");
    put(this.line, `${clockwork(plan.duration_s)}, ${withUnit(plan.charge_coulombs, 0, "C")}, ${interval(plan.depth_low_mm, plan.depth_high_mm, 3)} mm`);
    this.section.show(plateOf(plan), { best: plan.target_depth_mm, low: plan.depth_low_mm, high: plan.depth_high_mm });
    show(this.section.element, true);
    this.figures.replaceChildren(pairs(planFigures(plan)), h("h3", {}, "Limits fixed at the start"), pairs(planLimits(plan)));
    this.warnings.replaceChildren(...(plan.warnings.length ? [h("h3", {}, "What may go wrong"), ...planWarnings(plan)] : []));
  }

  /** There is no plan: say why. */
  lack(why) {
    put(this.line, "No plan yet");
    put(this.why, why);
    this.figures.replaceChildren();
    this.warnings.replaceChildren();
    show(this.section.element, false);
  }
}
