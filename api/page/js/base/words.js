// The words of the page for what the controller calls by name.

export const STATES = {
  idle: { word: "Idle", line: "Nothing on the bench" },
  checking: { word: "Checking", line: "Relay off, reading the sensor" },
  running: { word: "Running", line: "Relay on, the plate is etching" },
  paused: { word: "Paused", line: "Relay off. The acid keeps biting" },
  finished: { word: "Finished", line: "Relay off. Lift and rinse the plate" },
  stopped: { word: "Stopped", line: "Relay off. Lift and rinse the plate" },
  tripped: { word: "Tripped", line: "Relay off. Look at the bench" },
  interrupted: { word: "Interrupted", line: "Relay off since the service ended" },
};

/** Return the words for a state. */
export const stateOf = (name) => STATES[name] ?? { word: name, line: "" };

/** Return a metal's name as it is read. */
export const metalOf = (name) => (name === null ? null : name.replaceAll("-", " "));

/** Return a supply mode as it is read. */
export const supplyOf = (name) => (name === "constant-voltage" ? "constant voltage" : "constant current");

/** Return a stop policy as it is read. */
export const policyOf = (name) =>
  name === "never-deeper" ? "stop while the depth is surely not passed" : "stop at the best estimate";

/** What people call what programs call by the name of a field. */
export const FIELDS = {
  area_mm2: "the open area", bath_volume_l: "the bath\u2019s volume", charge_coulombs: "the charge", current_a: "the current",
  density_a_per_dm2: "the current density", depth_mm: "the depth", edge_mm: "the length of all edges", expected_voltage_v: "the voltage expected",
  film_mm: "the resist film", gauge_stops_mm: "the gauge stop", other_bare_mm2: "the other bare metal", piece: "the name", pieces: "the number of copies",
  sheet_mm2: "the bare sheet", spots_mm: "the depth", thickness_mm: "the thickness", before_g: "the weight before", after_g: "the weight after",
  resolution_mm: "the smallest step", resolution_g: "the smallest step", depth_limit: "the depth limit",
};

export const PLACES = [
  { name: "centre", title: "Middle of a wide floor" },
  { name: "edge", title: "Near an edge of the plate" },
  { name: "small-field", title: "Small field" },
];

export const CAUTIONS = [
  ["Nitrogen dioxide", "No warning below about 10 ppm, and lung oedema can follow 3 to 30 hours later without earlier symptoms. "
    + "Extraction on. Brown fume: leave, cut the power from outside, see a doctor."],
  ["Off does not stop the acid", "Stay within call. This tool is no permission to leave the building."],
  ["Nothing else into the bath", "No ammonia, alcohol or other organics: silver compounds that explode. No zinc, aluminium or steel."],
  ["Goggles, gloves, apron", "Acid into water, never the reverse. Eyewash at hand."],
  ["The supply", "Isolated, behind a residual-current device and a fuse, with a real emergency stop that cuts it."],
  ["Oxidiser", "No rags near it, a vented cap. Owning nitric acid may need a licence."],
  ["Silver nitrate", "Keep off eyes and skin. Nothing down the drain: collect for refining or licensed disposal."],
  ["Lamp and stripper", "Mind the ultraviolet lamp, the sensitising resist and the caustic stripper."],
];
