// One run out of the logbook: its papers, curve, events and readings, fetched together.

import { CurveData } from "../pictures/curve_data.js";
import { clockwork, moment, withUnit } from "../base/numbers.js";
import { get, path, query } from "../base/server.js";
import { metalOf, policyOf, reasonOf, stateOf, supplyOf } from "../base/words.js";

const CURVE_POINTS = 900;

/** Return {run, plan, settings, points, data}. Raises what the controller refuses. */
export async function fetchRun(runId) {
  const [told, samples] = await Promise.all([get(path("runs", runId)), get(query(path("runs", runId, "samples"), { points: CURVE_POINTS }))]);
  const data = new CurveData();
  data.take(samples.points);
  return { ...told, points: samples.points, data };
}

/** The figures of a run that its record shows: [field, term, how its value is written]. */
export const FIGURES = [
  ["on_time_s", "Time with the relay on", clockwork],
  ["charge_coulombs", "Charge", (coulombs) => withUnit(coulombs, 0, "C")],
  ["uncertain_charge_coulombs", "Perhaps uncounted", (coulombs) => (coulombs > 0 ? `up to ${withUnit(coulombs, 1, "C")}` : null)],
];

/** Return how a run went, as [term, value] pairs. */
export function runFacts({ run }) {
  return [
    ["State", reasonOf(run.reason) ?? stateOf(run.state).word],
    ["Started", moment(run.started_at_utc)],
    ...FIGURES.map(([name, term, written]) => [term, written(run[name])]),
  ];
}

/** Return what was asked for, as [term, value] pairs. */
export function runWish({ plan }) {
  const { request } = plan;
  return [
    ["Metal", metalOf(request.metal)],
    ["Bath", request.bath ?? "none named"],
    ["Sheet", request.thickness_mm === null ? "thickness not told" : withUnit(request.thickness_mm, 2, "mm")],
    ["Open area", withUnit(request.area_mm2 / 100, 2, "cm\u00b2")],
    ["Edges", withUnit(request.edge_mm, 0, "mm")],
    ["Copies and sides", `${request.pieces} and ${request.sides}`],
    ["Other bare metal", withUnit(request.other_bare_mm2 / 100, 2, "cm\u00b2")],
    ["Depth wanted", withUnit(plan.target_depth_mm, 3, "mm")],
    ["Current", `${withUnit(plan.current_a, 2, "A")}, ${withUnit(plan.current_density_a_per_dm2, 1, "A/dm\u00b2")}`],
    ["Supply", supplyOf(request.supply_mode)],
    ["Stop", policyOf(request.stop_policy)],
    ["Gauge stops", (request.gauge_stops_mm ?? []).map((mm) => withUnit(mm, 3, "mm")).join(", ") || "none"],
  ];
}

/** Return settings as [name, value] pairs, the tables' names before those of their values. */
export function flatSettings(settings, before = "") {
  return Object.entries(settings).flatMap(([name, value]) =>
    value !== null && typeof value === "object" && !Array.isArray(value)
      ? flatSettings(value, `${before}${name}.`)
      : [[`${before}${name}`, value === null ? "not fitted" : String(value)]]);
}
