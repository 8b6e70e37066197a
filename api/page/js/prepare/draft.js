// What was typed on the Prepare screen, kept while the page is open, and the wish that the controller plans from it.

import { numberIn, tidy } from "../base/numbers.js";
import { thicknessToMm } from "./thickness.js";

const KEPT_AS = "biteclock-draft";
const MM2_PER_CM2 = 100;

/** What was measured of an artwork, as stored wishes have it. */
const MEASURED = ["area_mm2", "edge_mm", "growth_mm2", "area_uncertainty_fraction", "narrow_lines", "narrowest_open_mm"];

export const EMPTY = {
  piece: "", metal: "fine-silver", bath: "",
  thickness: "", thickness_unit: "mm", sheet_cm2: "", pieces: "1", sides: "1", film_mm: "0.045",
  area_by: "artwork", artwork: null, artwork_name: "", measured: null, area_cm2: "", edge_mm: "", other_bare_cm2: "",
  target_by: "depth", depth_mm: "0.25", charge_coulombs: "",
  current_by: "current", current_a: "", density_a_per_dm2: "", expected_voltage_v: "3", supply_mode: "constant-current",
  stop_policy: "best-estimate", gauge_stops_mm: [],
};

/** Return the draft that was kept, or an empty one. */
export function keptDraft() {
  try {
    return { ...EMPTY, ...JSON.parse(sessionStorage.getItem(KEPT_AS) ?? "{}") };
  } catch {
    return { ...EMPTY };
  }
}

/** Keep a draft until the page is closed. */
export const keepDraft = (draft) => sessionStorage.setItem(KEPT_AS, JSON.stringify(draft));

/**
 * Return {wish, missing}: what the controller is asked to plan, and the fields that hold no number, {field: what to do}.
 *
 * bath: the chosen bath, or null.
 */
export function wishOf(draft, bath) {
  const missing = {};
  const number = (name, text, isNeeded, scale = 1) => {
    const value = numberIn(text);
    if (value === null && (isNeeded || String(text).trim() !== "")) missing[name] = String(text).trim() === "" ? "needed" : "this is no number";
    return value === null ? null : Number((value * scale).toPrecision(12));
  };
  const wish = {
    metal: draft.metal, piece: draft.piece.trim().replace(/\s+/g, " "), supply_mode: draft.supply_mode, stop_policy: draft.stop_policy,
    sides: Number(draft.sides), pieces: number("pieces", draft.pieces, true),
    other_bare_mm2: number("other_bare_mm2", draft.other_bare_cm2, false, MM2_PER_CM2),
    film_mm: number("film_mm", draft.film_mm, true),
    expected_voltage_v: number("expected_voltage_v", draft.expected_voltage_v, true),
    thickness_mm: thicknessOf(draft, missing),
    sheet_mm2: number("sheet_mm2", draft.sheet_cm2, false, MM2_PER_CM2),
    gauge_stops_mm: draft.gauge_stops_mm,
    bath: draft.bath || null, bath_volume_l: bath?.volume_l ?? null,
  };
  if (draft.target_by === "depth") wish.depth_mm = number("depth_mm", draft.depth_mm, true);
  else wish.charge_coulombs = number("charge_coulombs", draft.charge_coulombs, true);
  if (draft.current_by === "current") wish.current_a = number("current_a", draft.current_a, true);
  else wish.density_a_per_dm2 = number("density_a_per_dm2", draft.density_a_per_dm2, true);
  if (draft.area_by === "typed") {
    wish.area_mm2 = number("area_mm2", draft.area_cm2, true, MM2_PER_CM2);
    wish.edge_mm = number("edge_mm", draft.edge_mm, false);
  } else if (draft.artwork === null && draft.measured === null) {
    missing.artwork = "choose a file, or type the area";
  } else {
    Object.assign(wish, draft.measured ?? {}, draft.artwork === null ? {} : { artwork: draft.artwork });
  }
  const known = Object.entries(wish).filter(([, value]) => value !== null);
  return { wish: Object.fromEntries(known), missing };
}

function thicknessOf(draft, missing) {
  if (draft.thickness.trim() === "") return null;
  const mm = thicknessToMm(numberIn(draft.thickness), draft.thickness_unit);
  if (mm === null) missing.thickness_mm = draft.thickness_unit === "gauge" ? "B&S gauge runs from -3 (0000) to 44" : "this is no number";
  return mm === null ? null : Number(mm.toPrecision(9));
}

/** Return the draft of a stored request, to do it again. */
export function draftOf(request) {
  const text = (value, digits) => (value === null || value === undefined ? "" : tidy(value, digits));
  const isMeasured = Boolean(request.artwork) || Boolean(request.growth_mm2);
  const measured = isMeasured ? Object.fromEntries(MEASURED.filter((name) => request[name] !== null).map((name) => [name, request[name]])) : null;
  return {
    ...EMPTY,
    piece: request.piece ?? "", metal: request.metal, bath: request.bath ?? "",
    thickness: text(request.thickness_mm, 5), pieces: text(request.pieces), sides: text(request.sides), film_mm: text(request.film_mm),
    sheet_cm2: request.sheet_mm2 ? text(request.sheet_mm2 / MM2_PER_CM2) : "",
    area_by: isMeasured ? "artwork" : "typed", artwork: request.artwork ?? null, artwork_name: isMeasured ? "as measured before" : "", measured,
    area_cm2: isMeasured ? "" : text(request.area_mm2 / MM2_PER_CM2), edge_mm: request.edge_mm && !isMeasured ? text(request.edge_mm) : "",
    other_bare_cm2: request.other_bare_mm2 ? text(request.other_bare_mm2 / MM2_PER_CM2) : "",
    target_by: request.depth_mm === null || request.depth_mm === undefined ? "charge" : "depth",
    depth_mm: text(request.depth_mm), charge_coulombs: text(request.charge_coulombs),
    current_by: request.current_a === null || request.current_a === undefined ? "density" : "current",
    current_a: text(request.current_a), density_a_per_dm2: text(request.density_a_per_dm2),
    expected_voltage_v: text(request.expected_voltage_v ?? 3),
    supply_mode: request.supply_mode, stop_policy: request.stop_policy ?? "best-estimate", gauge_stops_mm: [...(request.gauge_stops_mm ?? [])],
  };
}
