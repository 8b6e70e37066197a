// The plan: charge, time, interval, limits, and what may go wrong.

import { h, mark, put } from "../base/dom.js";
import { sentence } from "../base/field.js";
import { bounds, clockwork, fixed, NONE, printed, withUnit } from "../base/numbers.js";
import { metalLeft, PlaceList } from "../pictures/place_list.js";
import { Section } from "../pictures/section.js";
import { plateOf } from "../pictures/section_geometry.js";
import { shape } from "../base/shapes.js";
import { text } from "../base/text.js";

/** Name of a figure in the catalogue, and its value in a plan. */
const FIGURES = [
  ["figure.charge", (plan) => withUnit(plan.charge_coulombs, 0, "C")],
  ["figure.time", (plan) => clockwork(plan.duration_s)],
  ["figure.current", (plan) => withUnit(plan.current_a, 2, "A")],
  ["figure.density", (plan) => withUnit(plan.current_density_a_per_dm2, 1, "A/dm\u00b2")],
  ["figure.bare_metal", (plan) => withUnit(plan.total_area_mm2 / 100, 2, "cm\u00b2")],
  ["figure.depth", (plan) => text("plan.figure.between", bounds(plan))],
  ["figure.undercut", (plan) => withUnit(plan.target_depth_mm / plan.etch_factor, 2, "mm")],
  ["figure.metal_lost", metalLost],
  ["figure.bite", (plan) => fixed(plan.bite_factor, 2)],
  ["figure.etch_factor", (plan) => fixed(plan.etch_factor, 2)],
  ["figure.warming", (plan) => (plan.warming_k === null ? null : withUnit(plan.warming_k, 1, "K"))],
];

const LIMITS = [
  ["limit.charge", (plan) => withUnit(plan.max_charge_coulombs, 0, "C")],
  ["limit.time", (plan) => clockwork(plan.max_on_time_s)],
  ["limit.current", (plan) => withUnit(plan.max_current_a, 2, "A")],
  ["limit.mean_depth", deepest],
  ["limit.metal_left", (plan) => metalLeft(plan.least_metal_mm)],
  ["limit.sensor_range", (plan) => `${fixed(100 * plan.range_fraction, 0)} %`],
];

function metalLost(plan) {
  const mass = withUnit(plan.metal_removed_g, 2, "g");
  if (plan.metal_removed_fraction === null) return mass;
  const percent = fixed(100 * plan.metal_removed_fraction, 1);
  return text("plan.figure.share_of_sheet", { mass, percent });
}

function deepest(plan) {
  if ((plan.least_metal_mm ?? null) !== null) return null;
  if (plan.max_mean_depth_mm === null) return text("plan.limit.not_guarded");
  return withUnit(plan.max_mean_depth_mm, 2, "mm");
}

const valued = (lines, plan) =>
  lines.map(([name, valueOf]) => [text(`plan.${name}`), valueOf(plan)]);

/** Return the figures of a plan as [term, value] pairs. */
export const planFigures = (plan) => valued(FIGURES, plan);

/** Return the limits that are fixed when the run starts. */
export const planLimits = (plan) => valued(LIMITS, plan);

/** Return what may go wrong, each as a line with a shape. */
export function planWarnings(plan) {
  const line = (warning) => h("p", {}, sentence(printed(warning.text)));
  const row = (warning) => h("div", { class: "caution" }, shape("warning"), line(warning));
  return plan.warnings.map(row);
}

/** The plan beside the form. Its lines are there without a plan too, so that nothing moves. */
export class PlanPanel {
  constructor() {
    this.section = new Section({ floor: "planned" });
    this.places = new PlaceList();
    this.lines = [...FIGURES, ...LIMITS].map(([name, valueOf]) => ({
      name: text(`plan.${name}`),
      valueOf,
      value: h("dd", {}, NONE),
    }));
    const row = ({ name, value }) => h("div", {}, h("dt", {}, name), value);
    const list = (lines) => h("dl", { class: "pairs" }, lines.map(row));
    this.figures = h(
      "div",
      { class: "plan-figures" },
      list(this.lines.slice(0, FIGURES.length)),
      h("h3", {}, text("plan.limits")),
      list(this.lines.slice(FIGURES.length)),
    );
    this.why = h("p", { class: "plan-why" });
    this.warnings = h("div", { class: "plan-warnings" });
    this.element = h(
      "div",
      { class: "plan-panel" },
      h("h2", { id: "plan-title" }, text("plan.title")),
      this.why,
      this.section.element,
      this.places.element,
      this.figures,
    );
    this.line = h("p", { class: "plan-line", "aria-live": "off" }, text("plan.none"));
    this.lack("");
  }

  show(plan) {
    const count = plan.warnings.length;
    put(this.why, count === 0 ? text("plan.no_warnings") : text("plan.warnings", { count }));
    const charge = withUnit(plan.charge_coulombs, 0, "C");
    const values = { time: clockwork(plan.duration_s), charge, ...bounds(plan) };
    put(this.line, text("plan.line", values));
    const depth = { best: plan.target_depth_mm, low: plan.depth_low_mm, high: plan.depth_high_mm };
    this.section.show(plateOf(plan), depth);
    for (const { valueOf, value } of this.lines) put(value, valueOf(plan) ?? NONE);
    this.places.show(plan.places ?? [], plan.metal_left_mm ?? null);
    const title = h("h3", {}, text("plan.may_go_wrong"));
    this.warnings.replaceChildren(...(count ? [title, ...planWarnings(plan)] : []));
    mark(this.element, "data-planned", "yes");
  }

  /** Show why there is no plan. */
  lack(why) {
    put(this.line, text("plan.none"));
    put(this.why, why);
    for (const { value } of this.lines) put(value, NONE);
    this.warnings.replaceChildren();
    this.places.show([], null);
    mark(this.element, "data-planned", "no");
  }
}
