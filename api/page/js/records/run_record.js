// The record of one run in the logbook: plan, settings and curve, fetched together.

import { CurveData } from "../pictures/curve_data.js";
import { clockwork, fixed, moment, withUnit } from "../base/numbers.js";
import { get, path, query } from "../base/server.js";
import { text } from "../base/text.js";
import { metalOf, policyOf, stateOf, supplyOf } from "../base/words.js";

const CURVE_POINTS = 900;

/** Return {run, plan, settings, points, data}. Throws RefusedError and UnreachableError. */
export async function fetchRun(runId) {
  const curve = query(path("runs", runId, "samples"), { points: CURVE_POINTS });
  const [record, samples] = await Promise.all([get(path("runs", runId)), get(curve)]);
  const data = new CurveData();
  data.take(samples.points);
  return { ...record, points: samples.points, data };
}

const fact = (name, value) => [text(`run.fact.${name}`), value];

/** The figures of a run that its record shows: field -> how its value is written. */
export const FIGURES = {
  on_time_s: clockwork,
  charge_coulombs: (coulombs) => withUnit(coulombs, 0, "C"),
  uncertain_charge_coulombs: (coulombs) =>
    coulombs > 0 ? text("run.fact.up_to", { charge: withUnit(coulombs, 1, "C") }) : null,
};

/** Return how a run went, as [term, value] pairs. */
export function runFacts({ run }) {
  return [
    fact("state", run.reason_title ?? stateOf(run.state)),
    fact("started", moment(run.started_at_utc)),
    ...Object.entries(FIGURES).map(([name, written]) => fact(name, written(run[name]))),
  ];
}

/** Return the depth that a run reached: {best, low, high} in mm. */
export function reachedDepth(run) {
  return { best: run.depth_mm ?? 0, low: run.depth_low_mm, high: run.depth_high_mm };
}

/** Return what was asked for, as [term, value] pairs. */
export function runRequest({ plan }) {
  const { request } = plan;
  const thickness = withUnit(request.thickness_mm, 2, "mm");
  const stops = (request.gauge_stops_mm ?? []).map((mm) => withUnit(mm, 2, "mm")).join(", ");
  const current = text("run.fact.current_and_density", {
    current: withUnit(plan.current_a, 2, "A"),
    density: withUnit(plan.current_density_a_per_dm2, 1, "A/dm\u00b2"),
  });
  return [
    fact("metal", metalOf(request.metal)),
    fact("bath", request.bath ?? text("run.fact.no_bath")),
    fact("sheet", request.thickness_mm === null ? text("run.fact.no_thickness") : thickness),
    fact("area", withUnit(request.area_mm2 / 100, 2, "cm\u00b2")),
    fact("edges", withUnit(request.edge_mm, 0, "mm")),
    fact("copies", fixed(request.pieces, 0)),
    fact("sides", fixed(request.sides, 0)),
    fact("other_bare", withUnit(request.other_bare_mm2 / 100, 2, "cm\u00b2")),
    fact("depth", withUnit(plan.target_depth_mm, 2, "mm")),
    fact("current", current),
    fact("supply", supplyOf(request.supply_mode)),
    fact("stop", policyOf(request.stop_policy)),
    fact("gauge_stops", stops || text("run.fact.no_stops")),
  ];
}

/** Return settings as [name, value] pairs, the tables' names before those of their values. */
export function flatSettings(settings, before = "") {
  return Object.entries(settings).flatMap(([name, value]) =>
    value !== null && typeof value === "object" && !Array.isArray(value)
      ? flatSettings(value, `${before}${name}.`)
      : [[`${before}${name}`, value === null ? text("run.fact.not_fitted") : String(value)]],
  );
}
