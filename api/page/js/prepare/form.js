// The fields of the Prepare screen.

import { h, show } from "../base/dom.js";
import { ArtworkPicker } from "./artwork_picker.js";
import { BathPicker } from "./bath_picker.js";
import { requestOf } from "./draft.js";
import { choiceField, listField, markWrong, numberField, textField } from "../base/field.js";
import { GaugeStops } from "./gauge_stops.js";
import { fixed, numberIn, tidy } from "../base/numbers.js";
import { get } from "../base/server.js";
import { text } from "../base/text.js";
import { thicknessFromMm, thicknessToMm, THICKNESS_UNITS } from "./thickness.js";

/** The number fields: [name, key of the texts, unit]. */
const NUMBERS = [
  ["sheet_cm2", "sheet.bare_sheet", "cm\u00b2"],
  ["pieces", "sheet.copies", ""],
  ["film_mm", "sheet.film", "mm"],
  ["area_cm2", "artwork.area", "cm\u00b2"],
  ["edge_mm", "artwork.edges", "mm"],
  ["other_bare_cm2", "artwork.other_bare", "cm\u00b2"],
  ["depth_mm", "etch.depth", "mm"],
  ["charge_coulombs", "etch.charge", "C"],
  ["current_a", "etch.current", "A"],
  ["expected_voltage_v", "etch.voltage", "V"],
  ["density_a_per_dm2", "etch.density", "A/dm\u00b2"],
];

const own = (key) => text(`prepare.${key}`);

const numbered = ([name, key, unit]) => [name, numberField(own(key), unit, own(`${key}_hint`))];

/** Return a choice from [name, key of its text] pairs. */
function chosen(title, options, hint = "", look = {}) {
  return choiceField(
    own(title),
    options.map(([name, key]) => ({ name, title: text(key) })),
    hint === "" ? "" : own(hint),
    look,
  );
}

/** onchange(): something was typed or chosen. `parts`: the groups of fields. */
export class PrepareForm {
  constructor(onchange) {
    this.onchange = onchange;
    this.build();
    this.parts = this.groups();
    for (const part of this.parts) part.addEventListener("input", (event) => this.typed(event));
  }

  build() {
    const units = THICKNESS_UNITS.map(({ name, title }) => h("option", { value: name }, title));
    this.unit = h("select", { "aria-label": own("sheet.thickness_unit") }, units);
    this.unit.addEventListener("change", () => this.changeUnit());
    this.bath = new BathPicker(() => this.onchange());
    this.artwork = new ArtworkPicker(() => this.onchange());
    this.stops = new GaugeStops(() => this.onchange());
    const thickness = own("sheet.thickness");
    this.byNumber = {
      thickness: numberField(thickness, "", own("sheet.thickness_hint"), this.unit),
      ...Object.fromEntries(NUMBERS.map(numbered)),
    };
    this.byChoice = this.choices();
    this.piece = textField(own("piece.name"), own("piece.name_hint"), 80);
    const silver = [{ name: "fine-silver", title: own("piece.fine_silver") }];
    this.metal = listField(own("piece.metal"), silver, own("piece.metal_hint"));
    this.metal.input.addEventListener("change", () => this.bath.offer(this.metal.input.value));
  }

  choices() {
    const [sheet, artwork, etch] = ["prepare.sheet", "prepare.artwork", "prepare.etch"];
    const sides = [
      ["1", `${sheet}.one_side`],
      ["2", `${sheet}.both_sides`],
    ];
    const areas = [
      ["artwork", `${artwork}.by_file`],
      ["typed", `${artwork}.by_hand`],
    ];
    const targets = [
      ["depth", `${etch}.a_depth`],
      ["charge", `${etch}.a_charge`],
    ];
    const currents = [
      ["current", `${etch}.by_current`],
      ["density", `${etch}.by_density`],
    ];
    const modes = [
      ["constant-current", `${etch}.holds_current`],
      ["constant-voltage", `${etch}.holds_voltage`],
    ];
    const policies = ["best-estimate", "never-deeper"].map((name) => [name, `policy.${name}`]);
    return {
      sides: chosen("sheet.sides", sides, "sheet.sides_hint"),
      area_by: chosen("artwork.area_by", areas),
      target_by: chosen("etch.target_by", targets),
      current_by: chosen("etch.supply_by", currents),
      supply_mode: chosen("etch.supply_holds", modes, "etch.supply_hint"),
      stop_policy: chosen("stops.in_doubt", policies, "", { isTall: true }),
    };
  }

  groups() {
    const { byNumber: n, byChoice: c } = this;
    this.typedArea = h("div", { class: "two" }, n.area_cm2.element, n.edge_mm.element);
    const copiesAndFilm = h("div", { class: "two" }, n.pieces.element, n.film_mm.element);
    const group = (name, ...parts) => {
      const elements = parts.map((part) => part.element ?? part);
      return h("fieldset", {}, h("legend", {}, text(`prepare.${name}.group`)), elements);
    };
    return [
      group("piece", this.piece, this.metal, this.bath),
      group("sheet", n.thickness, copiesAndFilm, c.sides, n.sheet_cm2),
      group("artwork", c.area_by, this.artwork, this.typedArea, n.other_bare_cm2),
      group(
        "etch",
        c.target_by,
        n.depth_mm,
        n.charge_coulombs,
        c.current_by,
        n.current_a,
        n.density_a_per_dm2,
        n.expected_voltage_v,
        c.supply_mode,
      ),
      group("stops", c.stop_policy, this.stops),
    ];
  }

  /** Fetch what can be chosen. */
  async fetch() {
    const known = get("/api/metals").catch(() => ({ metals: [] }));
    const [{ metals }] = await Promise.all([known, this.bath.fetch(), this.artwork.fetch()]);
    if (metals.length === 0) return;
    const chosen = this.metal.input.value;
    const option = ({ name, title }) => h("option", { value: name }, title);
    this.metal.input.replaceChildren(...metals.map(option));
    this.metal.input.value = chosen;
  }

  typed(event) {
    if (event.target.type === "file" || event.target === this.stops.input) return;
    this.unfold();
    this.onchange();
  }

  /** Show the fields that belong to the choices. */
  unfold() {
    const { byNumber: n, byChoice: c } = this;
    const isTyped = c.area_by.read() === "typed";
    show(this.typedArea, isTyped);
    show(this.artwork.element, !isTyped);
    show(n.depth_mm.element, c.target_by.read() === "depth");
    show(n.charge_coulombs.element, c.target_by.read() === "charge");
    show(n.current_a.element, c.current_by.read() === "current");
    show(n.density_a_per_dm2.element, c.current_by.read() === "density");
  }

  /** Keep the thickness when its unit changes. */
  changeUnit() {
    const { input } = this.byNumber.thickness;
    const mm = thicknessToMm(numberIn(input.value), this.unitBefore ?? "mm");
    const value = thicknessFromMm(mm, this.unit.value);
    const isGauge = this.unit.value === "gauge";
    if (value !== null) input.value = tidy(isGauge ? Number(value.toFixed(2)) : value, 4);
    this.unitBefore = this.unit.value;
  }

  read() {
    const draft = {
      piece: this.piece.input.value,
      metal: this.metal.input.value,
      bath: this.bath.read(),
      thickness_unit: this.unit.value,
    };
    for (const [name, { input }] of Object.entries(this.byNumber)) draft[name] = input.value;
    for (const [name, choice] of Object.entries(this.byChoice)) draft[name] = choice.read();
    return { ...draft, ...this.artwork.read(), gauge_stops_mm: this.stops.read() };
  }

  write(draft) {
    this.piece.input.value = draft.piece;
    if (![...this.metal.input.options].some((option) => option.value === draft.metal)) {
      this.metal.input.append(h("option", { value: draft.metal }, draft.metal));
    }
    this.metal.input.value = draft.metal;
    this.bath.offer(draft.metal);
    this.bath.write(draft.bath);
    this.unit.value = this.unitBefore = draft.thickness_unit;
    for (const [name, { input }] of Object.entries(this.byNumber)) input.value = draft[name];
    for (const [name, choice] of Object.entries(this.byChoice)) choice.write(draft[name]);
    this.artwork.write(draft);
    this.stops.write(draft.gauge_stops_mm);
    this.unfold();
  }

  request() {
    return requestOf(this.read(), this.bath.bath());
  }

  /** Return the field that shows the notes on a value of the request. */
  holder(name) {
    const { byNumber: n, byChoice: c } = this;
    const isTyped = c.area_by.read() === "typed";
    const places = {
      piece: this.piece,
      metal: this.metal,
      bath: this.bath,
      artwork: isTyped ? n.area_cm2 : this.artwork,
      gauge_stops_mm: this.stops,
      thickness_mm: n.thickness,
      sheet_mm2: n.sheet_cm2,
      area_mm2: isTyped ? n.area_cm2 : this.artwork,
      edge_mm: isTyped ? n.edge_mm : this.artwork,
      other_bare_mm2: n.other_bare_cm2,
      current_a: c.current_by.read() === "current" ? n.current_a : n.density_a_per_dm2,
      depth_mm: c.target_by.read() === "depth" ? n.depth_mm : n.charge_coulombs,
    };
    return places[name] ?? n[name] ?? c[name] ?? n.depth_mm;
  }

  /** Show notes on values, [{field, words, kind}], and no others. */
  showNotes(notes) {
    const byHolder = new Map();
    for (const { field, words, kind } of notes) {
      const holder = this.holder(field);
      const known = byHolder.get(holder) ?? { texts: [], kind };
      const worst = known.kind === "bad" ? "bad" : kind;
      byHolder.set(holder, { texts: [...known.texts, words], kind: worst });
    }
    for (const holder of this.holders()) {
      const { texts, kind } = byHolder.get(holder) ?? { texts: [], kind: "warn" };
      holder.note.say(texts, kind);
      markWrong(holder.input, kind === "bad");
    }
  }

  holders() {
    const fields = [...Object.values(this.byNumber), ...Object.values(this.byChoice)];
    const known = [this.piece, this.metal, this.bath, this.stops, ...fields];
    return this.artwork.isRefused ? known : [...known, this.artwork];
  }

  /** Show what a plan adds: a suggested gauge stop, the picture of the undercut, the thickness. */
  offer(plan) {
    this.stops.offer(plan.offered_gauge_stops_mm);
    this.artwork.draw(plan.target_depth_mm, plan.etch_factor);
    const thickness_mm = plan.request.thickness_mm;
    const isOther = this.unit.value !== "mm" && thickness_mm !== null;
    const inMm = text("prepare.sheet.thickness_is", { thickness_mm: fixed(thickness_mm, 3) });
    this.byNumber.thickness.note.hintAt(isOther ? inMm : own("sheet.thickness_hint"));
  }

  /** Move the focus to the first field that is wrong or empty. */
  leadToProblem() {
    const { missing } = this.request();
    const name = Object.keys(missing)[0];
    const wrong = this.parts.map((part) => part.querySelector("[aria-invalid]")).find(Boolean);
    const target = wrong ?? this.holder(name ?? "piece").input ?? this.artwork.file;
    target.focus();
    target.scrollIntoView({ block: "center" });
  }
}
