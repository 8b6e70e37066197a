// What was typed on the Prepare screen, kept while the page is open, and the request made from it.

import { keep, kept } from "../base/kept.js";
import { numberIn, tidy } from "../base/numbers.js";
import { text } from "../base/text.js";
import { thicknessToMm } from "./thickness.js";

const KEPT_AS = "biteclock-draft";
const MM2_PER_CM2 = 100;

/** What was measured of an artwork, by its names in a stored request. */
const MEASURED = [
  "area_mm2",
  "edge_mm",
  "growth_mm2",
  "area_uncertainty_fraction",
  "narrow_lines",
  "narrowest_open_mm",
  "places",
  "pieces_on_plate",
];

export const EMPTY = {
  piece: "",
  metal: "fine-silver",
  bath: "",
  thickness: "",
  thickness_unit: "mm",
  sheet_cm2: "",
  pieces: "1",
  sides: "1",
  film_mm: "0.045",
  area_by: "artwork",
  artwork: null,
  artwork_name: "",
  measured: null,
  plate: null,
  area_cm2: "",
  edge_mm: "",
  other_bare_cm2: "",
  target_by: "depth",
  depth_mm: "0.25",
  charge_coulombs: "",
  current_by: "current",
  current_a: "",
  density_a_per_dm2: "",
  expected_voltage_v: "3",
  supply_mode: "constant-current",
  stop_policy: "best-estimate",
  gauge_stops_mm: [],
};

/** Return the draft that was kept, or an empty one. */
export function keptDraft() {
  try {
    return { ...EMPTY, ...JSON.parse(kept(KEPT_AS, "sessionStorage") ?? "{}") };
  } catch {
    return { ...EMPTY };
  }
}

/** Keep a draft until the page is closed. */
export const keepDraft = (draft) => keep(KEPT_AS, JSON.stringify(draft), "sessionStorage");

/**
 * Return {request, missing}: what the controller plans, and the fields that hold no number,
 * {field: what to do}. bath: the chosen bath, or null.
 */
export function requestOf(draft, bath) {
  const missing = {};
  const number = (name, typed, isNeeded, scale = 1) => {
    const value = numberIn(typed);
    const isEmpty = String(typed).trim() === "";
    if (value === null && !isEmpty) missing[name] = text("prepare.not_a_number");
    else if (value === null && isNeeded) missing[name] = text("prepare.needed");
    return value === null ? null : Number((value * scale).toPrecision(12));
  };
  const request = {
    metal: draft.metal,
    piece: draft.piece.trim().replace(/\s+/g, " "),
    supply_mode: draft.supply_mode,
    stop_policy: draft.stop_policy,
    sides: Number(draft.sides),
    pieces: number("pieces", draft.pieces, true),
    other_bare_mm2: number("other_bare_mm2", draft.other_bare_cm2, false, MM2_PER_CM2),
    film_mm: number("film_mm", draft.film_mm, true),
    expected_voltage_v: number("expected_voltage_v", draft.expected_voltage_v, true),
    thickness_mm: thicknessOf(draft, missing),
    sheet_mm2: number("sheet_mm2", draft.sheet_cm2, false, MM2_PER_CM2),
    gauge_stops_mm: draft.gauge_stops_mm,
    bath: draft.bath || null,
    bath_volume_l: bath?.volume_l ?? null,
  };
  if (draft.target_by === "depth") request.depth_mm = number("depth_mm", draft.depth_mm, true);
  else request.charge_coulombs = number("charge_coulombs", draft.charge_coulombs, true);
  if (draft.current_by === "current")
    request.current_a = number("current_a", draft.current_a, true);
  else request.density_a_per_dm2 = number("density_a_per_dm2", draft.density_a_per_dm2, true);
  if (draft.area_by === "typed") {
    request.area_mm2 = number("area_mm2", draft.area_cm2, true, MM2_PER_CM2);
    request.edge_mm = number("edge_mm", draft.edge_mm, false);
  } else if (draft.artwork === null && draft.measured === null) {
    missing.artwork = text("prepare.choose_artwork");
  } else {
    const artwork = draft.artwork === null ? {} : { artwork: draft.artwork };
    Object.assign(request, draft.measured ?? {}, artwork);
  }
  const known = Object.entries(request).filter(([, value]) => value !== null);
  return { request: Object.fromEntries(known), missing };
}

function thicknessOf(draft, missing) {
  if (draft.thickness.trim() === "") return null;
  const mm = thicknessToMm(numberIn(draft.thickness), draft.thickness_unit);
  const isGauge = draft.thickness_unit === "gauge";
  if (mm === null) {
    missing.thickness_mm = text(isGauge ? "prepare.gauge_range" : "prepare.not_a_number");
  }
  return mm === null ? null : Number(mm.toPrecision(9));
}

const isGiven = (value) => value !== null && value !== undefined;

const shown = (value, digits) => (isGiven(value) ? tidy(value, digits) : "");

const inCm2 = (areaMm2) => (areaMm2 ? shown(areaMm2 / MM2_PER_CM2) : "");

/** Return the draft of a stored request, to do it again. */
export function draftOf(request) {
  return {
    ...EMPTY,
    piece: request.piece ?? "",
    metal: request.metal,
    bath: request.bath ?? "",
    thickness: shown(request.thickness_mm, 5),
    pieces: shown(request.pieces),
    sides: shown(request.sides),
    film_mm: shown(request.film_mm),
    sheet_cm2: inCm2(request.sheet_mm2),
    ...areaOf(request),
    other_bare_cm2: inCm2(request.other_bare_mm2),
    target_by: isGiven(request.depth_mm) ? "depth" : "charge",
    depth_mm: shown(request.depth_mm),
    charge_coulombs: shown(request.charge_coulombs),
    current_by: isGiven(request.current_a) ? "current" : "density",
    current_a: shown(request.current_a),
    density_a_per_dm2: shown(request.density_a_per_dm2),
    expected_voltage_v: shown(request.expected_voltage_v ?? 3),
    supply_mode: request.supply_mode,
    stop_policy: request.stop_policy ?? "best-estimate",
    gauge_stops_mm: [...(request.gauge_stops_mm ?? [])],
  };
}

/** Return the open area of a stored request: measured from an artwork, or typed. */
function areaOf(request) {
  if (!request.artwork && !request.growth_mm2) {
    return {
      area_by: "typed",
      area_cm2: shown(request.area_mm2 / MM2_PER_CM2),
      edge_mm: request.edge_mm ? shown(request.edge_mm) : "",
    };
  }
  const known = MEASURED.filter((name) => (request[name] ?? null) !== null);
  return {
    area_by: "artwork",
    artwork: request.artwork ?? null,
    artwork_name: text("artwork.measured_before"),
    measured: Object.fromEntries(known.map((name) => [name, request[name]])),
  };
}
