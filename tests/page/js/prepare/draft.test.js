import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import {
  draftOf, EMPTY, keepDraft, keptDraft, requestOf,
} from "../../../../api/page/js/prepare/draft.js";

let store;

beforeEach(() => {
  store = new Map();
  globalThis.sessionStorage = {
    getItem: (name) => store.get(name) ?? null,
    setItem: (name, text) => store.set(name, String(text)),
  };
});

const TYPED = { ...EMPTY, area_by: "typed", area_cm2: "7,12", edge_mm: "640", current_a: "2.8" };

const request = (changes, bath = null) => requestOf({ ...TYPED, ...changes }, bath);

test("a draft is kept", () => {
  assert.deepEqual(keptDraft(), EMPTY);
  keepDraft({ ...EMPTY, piece: "Reed panel" });
  assert.deepEqual(keptDraft(), { ...EMPTY, piece: "Reed panel" });
});

test("an old or spoilt draft", () => {
  keepDraft({ piece: "Reed panel" });
  assert.equal(keptDraft().metal, "fine-silver", "what is new has its start value");
  const [name] = store.keys();
  store.set(name, "{");
  assert.deepEqual(keptDraft(), EMPTY);
});

test("a form becomes a request", () => {
  const found = request({
    piece: "  Reed   panel ", bath: "March", thickness: "18", thickness_unit: "gauge",
    sheet_cm2: "15", pieces: "2", sides: "2", other_bare_cm2: "0.3", gauge_stops_mm: [0.188],
  }, { volume_l: 1.5 });
  assert.deepEqual(found.missing, {});
  const { thickness_mm: thickness, ...rest } = found.request;
  // 0.005 inch x 92^(18/39), to nine digits. Source: ASTM B258, from memory.
  assert.equal(thickness, 1.02368734);
  assert.deepEqual(rest, {
    metal: "fine-silver", piece: "Reed panel", supply_mode: "constant-current",
    stop_policy: "best-estimate", sides: 2, pieces: 2, other_bare_mm2: 30, film_mm: 0.045,
    expected_voltage_v: 3, sheet_mm2: 1500, gauge_stops_mm: [0.188], bath: "March",
    bath_volume_l: 1.5, depth_mm: 0.25, current_a: 2.8, area_mm2: 712, edge_mm: 640,
  });
});

test("what is left empty is left out", () => {
  const { request: found, missing } = request({ edge_mm: " " });
  assert.deepEqual(missing, {});
  for (const name of ["thickness_mm", "sheet_mm2", "other_bare_mm2", "edge_mm", "bath",
    "bath_volume_l", "charge_coulombs", "density_a_per_dm2"]) {
    assert.equal(name in found, false, name);
  }
});

test("missing fields are named", () => {
  const { missing } = request({
    pieces: "", film_mm: " ", expected_voltage_v: "", depth_mm: "", current_a: "", area_cm2: "",
  });
  const needed = ["pieces", "film_mm", "expected_voltage_v", "depth_mm", "current_a", "area_mm2"];
  assert.deepEqual(missing, Object.fromEntries(needed.map((name) => [name, "Needed."])));
});

test("wrong numbers are named", () => {
  const { missing } = request({
    pieces: "two", other_bare_cm2: "x", sheet_cm2: "x", thickness: "thin", edge_mm: "long",
  });
  const wrong = ["pieces", "other_bare_mm2", "sheet_mm2", "thickness_mm", "edge_mm"];
  const words = "Not a number: type digits, like 0.25.";
  assert.deepEqual(missing, Object.fromEntries(wrong.map((n) => [n, words])));
  assert.deepEqual(request({ thickness: "60", thickness_unit: "gauge" }).missing, {
    thickness_mm: "B&S gauge runs from -3 (0000) to 44.",
  });
});

test("the other way of asking", () => {
  const { request: found, missing } = request({
    target_by: "charge", charge_coulombs: "1800", depth_mm: "",
    current_by: "density", density_a_per_dm2: "15", current_a: "",
  });
  assert.deepEqual(missing, {});
  assert.equal(found.charge_coulombs, 1800);
  assert.equal(found.density_a_per_dm2, 15);
  assert.equal("depth_mm" in found || "current_a" in found, false);
  assert.deepEqual(request({ target_by: "charge", current_by: "density" }).missing, {
    charge_coulombs: "Needed.", density_a_per_dm2: "Needed.",
  });
});

test("an artwork brings its own area", () => {
  const byArtwork = { area_by: "artwork", area_cm2: "9", edge_mm: "9" };
  assert.deepEqual(request(byArtwork).missing, { artwork: "Choose a file, or type the area." });
  const kept = request({ ...byArtwork, artwork: "a1" });
  assert.deepEqual(kept.missing, {});
  assert.equal(kept.request.artwork, "a1");
  assert.equal("area_mm2" in kept.request, false);
  const measured = request({ ...byArtwork, measured: { area_mm2: 700, edge_mm: 600 } });
  assert.deepEqual(measured.missing, {});
  assert.deepEqual([measured.request.area_mm2, measured.request.edge_mm], [700, 600]);
  assert.equal("artwork" in measured.request, false);
});

test("arithmetic leaves no noise", () => {
  assert.equal(request({ area_cm2: "0.07" }).request.area_mm2, 7);
  assert.equal(request({ area_cm2: "7.00000000001" }).request.area_mm2, 700.000000001);
  assert.equal(request({ area_cm2: "7.0000000000012" }).request.area_mm2, 700, "twelve digits");
});

const STORED = {
  metal: "fine-silver", piece: "Reed panel", area_mm2: 712, edge_mm: 640, depth_mm: 0.25,
  charge_coulombs: null, current_a: null, density_a_per_dm2: 15, thickness_mm: 1.0236279,
  sheet_mm2: 1500, pieces: 2, sides: 1, other_bare_mm2: 30, supply_mode: "constant-voltage",
  growth_mm2: null, artwork: null, film_mm: 0.045, bath: "March", stop_policy: "never-deeper",
  gauge_stops_mm: [0.188], expected_voltage_v: 2.4,
};

test("a stored request as a form", () => {
  assert.deepEqual(draftOf(STORED), {
    piece: "Reed panel", metal: "fine-silver", bath: "March", thickness: "1.0236",
    thickness_unit: "mm", sheet_cm2: "15", pieces: "2", sides: "1", film_mm: "0.045",
    area_by: "typed", artwork: null, artwork_name: "", measured: null, plate: null,
    area_cm2: "7.12",
    edge_mm: "640", other_bare_cm2: "0.3", target_by: "depth", depth_mm: "0.25",
    charge_coulombs: "", current_by: "density", current_a: "", density_a_per_dm2: "15",
    expected_voltage_v: "2.4", supply_mode: "constant-voltage", stop_policy: "never-deeper",
    gauge_stops_mm: [0.188],
  });
});

test("the form asks for the same again", () => {
  const { request: again, missing } = requestOf(draftOf({ ...STORED, thickness_mm: 1.024 }), null);
  assert.deepEqual(missing, {});
  for (const [name, value] of Object.entries(again)) {
    assert.deepEqual(value, name === "thickness_mm" ? 1.024 : STORED[name], name);
  }
});

test("charge and current come back too", () => {
  for (const depth of [null, undefined]) {
    const draft = draftOf({
      ...STORED, depth_mm: depth, charge_coulombs: 1800, current_a: 2.8, density_a_per_dm2: null,
    });
    assert.deepEqual(
      [draft.target_by, draft.charge_coulombs, draft.depth_mm, draft.current_by, draft.current_a],
      ["charge", "1800", "", "current", "2.8"],
    );
  }
  assert.equal(draftOf({ ...STORED, current_a: undefined }).current_by, "density");
});

test("little was stored", () => {
  const draft = draftOf({
    metal: "copper", area_mm2: 100, depth_mm: 0.1, current_a: 1, sides: 1, pieces: 1, film_mm: 0.04,
    supply_mode: "constant-current",
  });
  assert.deepEqual(
    [draft.piece, draft.bath, draft.thickness, draft.sheet_cm2, draft.edge_mm,
      draft.other_bare_cm2],
    ["", "", "", "", "", ""],
  );
  assert.deepEqual(
    [draft.expected_voltage_v, draft.stop_policy, draft.gauge_stops_mm], ["3", "best-estimate", []],
  );
});

test("an artwork's measure comes back", () => {
  const growth = [[0, 712], [0.1, 770]];
  const measures = {
    growth_mm2: growth, area_uncertainty_fraction: 0.01, narrow_lines: null,
    narrowest_open_mm: 0.3, places: [{ name: "widest-floor-middle" }],
  };
  const kept = draftOf({ ...STORED, ...measures, artwork: "a1" });
  assert.deepEqual(
    [kept.area_by, kept.artwork, kept.artwork_name, kept.area_cm2, kept.edge_mm],
    ["artwork", "a1", "as measured before", "", ""],
  );
  assert.deepEqual(kept.measured, {
    area_mm2: 712, edge_mm: 640, growth_mm2: growth, area_uncertainty_fraction: 0.01,
    narrowest_open_mm: 0.3, places: [{ name: "widest-floor-middle" }],
  });
  const older = draftOf({ ...STORED, ...measures, places: undefined, artwork: "a1" });
  assert.equal("places" in older.measured, false, "an older record has none");
  assert.equal(draftOf({ ...STORED, ...measures }).area_by, "artwork");
  assert.equal(draftOf({ ...STORED, artwork: "a1" }).area_by, "artwork");
});

test("stops are a list of one's own", () => {
  const draft = draftOf(STORED);
  draft.gauge_stops_mm.push(0.2);
  assert.deepEqual(STORED.gauge_stops_mm, [0.188]);
});
