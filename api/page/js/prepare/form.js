// The fields of the Prepare screen.

import { h, show } from "../base/dom.js";
import { ArtworkPicker } from "./artwork_picker.js";
import { BathPicker } from "./bath_picker.js";
import { wishOf } from "./draft.js";
import { choiceField, listField, markWrong, numberField, textField } from "../base/field.js";
import { GaugeStops } from "./gauge_stops.js";
import { fixed, numberIn, tidy } from "../base/numbers.js";
import { get } from "../base/server.js";
import { thicknessFromMm, thicknessToMm, THICKNESS_UNITS } from "./thickness.js";

const THICKNESS_HINT = "Without it nothing guards against etching through.";

/** onchange(): something was typed or chosen. `parts` are the groups of fields. */
export class PrepareForm {
  constructor(onchange) {
    this.onchange = onchange;
    this.build();
    this.parts = this.groups();
    for (const part of this.parts) part.addEventListener("input", (event) => this.typed(event));
  }

  build() {
    const unit = h("select", { "aria-label": "Unit of the thickness" }, THICKNESS_UNITS.map(({ name, title }) => h("option", { value: name }, title)));
    unit.addEventListener("change", () => this.changeUnit());
    this.unit = unit;
    this.bath = new BathPicker(() => this.onchange());
    this.artwork = new ArtworkPicker(() => this.onchange());
    this.stops = new GaugeStops(() => this.onchange());
    this.byNumber = {
      thickness: numberField("Sheet thickness", "", THICKNESS_HINT, unit),
      sheet_cm2: numberField("Bare sheet, all of it", "cm\u00b2", "For the share of metal lost. May stay empty."),
      pieces: numberField("Copies on the plate", "", "Of this artwork, in one bath."),
      film_mm: numberField("Resist film", "mm", "Dry film is 0.04 to 0.05 mm."),
      area_cm2: numberField("Open area", "cm\u00b2", "Of one copy, as it is etched."),
      edge_mm: numberField("Length of all edges", "mm", "Between metal and resist. Fine work needs it."),
      other_bare_cm2: numberField("Other bare metal", "cm\u00b2", "Contact tab, edges and back that no tape covers."),
      depth_mm: numberField("Depth wanted", "mm", "Mean depth of an open floor."),
      charge_coulombs: numberField("Charge wanted", "C", "The depth follows from it."),
      current_a: numberField("Current", "A", "As the supply will be set."),
      expected_voltage_v: numberField("Voltage expected", "V", "Across the cell, for the warming of the bath. Common practice: near 3 V."),
      density_a_per_dm2: numberField("Current density", "A/dm\u00b2", "Trade work runs 5 to 15 A/dm\u00b2."),
    };
    this.byChoice = {
      sides: choiceField("Sides etched", [{ name: "1", title: "One side" }, { name: "2", title: "Both sides" }], "With one cathode the far side comes out shallow."),
      area_by: choiceField("Open area", [{ name: "artwork", title: "Measure a file" }, { name: "typed", title: "Type it in" }], ""),
      target_by: choiceField("Stop at", [{ name: "depth", title: "A depth" }, { name: "charge", title: "A charge" }], ""),
      current_by: choiceField("Set the supply by", [{ name: "current", title: "Current" }, { name: "density", title: "Density" }], ""),
      supply_mode: choiceField("The supply holds", [{ name: "constant-current", title: "Current" }, { name: "constant-voltage", title: "Voltage" }], "Every electrical judgement depends on it."),
      stop_policy: choiceField("When in doubt", [{ name: "best-estimate", title: "Stop at the best estimate" }, { name: "never-deeper", title: "Never deeper: stop when the upper bound is there" }], "", { isTall: true }),
    };
    this.piece = textField("Name of the piece", "As it shall stand in the record.", 80);
    this.metal = listField("Metal", [{ name: "fine-silver", title: "fine silver" }], "Decides how much a coulomb takes.");
    this.metal.input.addEventListener("change", () => this.bath.offer(this.metal.input.value));
  }

  groups() {
    const { byNumber: n, byChoice: c } = this;
    this.typedArea = h("div", { class: "two" }, n.area_cm2.element, n.edge_mm.element);
    const group = (title, ...parts) => h("fieldset", {}, h("legend", {}, title), parts);
    return [
      group("Piece", this.piece.element, this.metal.element, this.bath.element),
      group("Sheet", n.thickness.element, h("div", { class: "two" }, n.pieces.element, n.film_mm.element), c.sides.element, n.sheet_cm2.element),
      group("Artwork", c.area_by.element, this.artwork.element, this.typedArea, n.other_bare_cm2.element),
      group("Etch", c.target_by.element, n.depth_mm.element, n.charge_coulombs.element, c.current_by.element, n.current_a.element,
        n.density_a_per_dm2.element, n.expected_voltage_v.element, c.supply_mode.element),
      group("Stops", c.stop_policy.element, this.stops.element),
    ];
  }

  /** Fetch what can be chosen. */
  async fetch() {
    const [{ metals }] = await Promise.all([get("/api/metals").catch(() => ({ metals: [] })), this.bath.fetch(), this.artwork.fetch()]);
    if (metals.length === 0) return;
    const chosen = this.metal.input.value;
    this.metal.input.replaceChildren(...metals.map((metal) => h("option", { value: metal.name }, metal.title)));
    this.metal.input.value = chosen;
  }

  typed(event) {
    if (event.target.type === "file" || event.target === this.stops.input) return;
    this.unfold();
    this.onchange();
  }

  /** Show the fields that the choices ask for. */
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
    if (value !== null) input.value = this.unit.value === "gauge" ? tidy(Number(value.toFixed(2)), 4) : tidy(value, 4);
    this.unitBefore = this.unit.value;
  }

  read() {
    const draft = { piece: this.piece.input.value, metal: this.metal.input.value, bath: this.bath.read(), thickness_unit: this.unit.value };
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

  wish() {
    return wishOf(this.read(), this.bath.bath());
  }

  /** Return what carries the notes of a value of the wish. */
  holder(name) {
    const { byNumber: n, byChoice: c } = this;
    const isTyped = c.area_by.read() === "typed";
    const places = {
      piece: this.piece, metal: this.metal, bath: this.bath, artwork: isTyped ? n.area_cm2 : this.artwork, gauge_stops_mm: this.stops,
      thickness_mm: n.thickness, sheet_mm2: n.sheet_cm2, area_mm2: isTyped ? n.area_cm2 : this.artwork, edge_mm: isTyped ? n.edge_mm : this.artwork,
      other_bare_mm2: n.other_bare_cm2, current_a: c.current_by.read() === "current" ? n.current_a : n.density_a_per_dm2,
      depth_mm: c.target_by.read() === "depth" ? n.depth_mm : n.charge_coulombs,
    };
    return places[name] ?? n[name] ?? c[name] ?? n.depth_mm;
  }

  /** Show what is said about values, [{field, text, kind}], and nothing else. */
  tell(notes) {
    const said = new Map();
    for (const { field, text, kind } of notes) {
      const holder = this.holder(field);
      const known = said.get(holder) ?? { texts: [], kind };
      said.set(holder, { texts: [...known.texts, text], kind: known.kind === "bad" ? "bad" : kind });
    }
    for (const holder of this.holders()) {
      const { texts, kind } = said.get(holder) ?? { texts: [], kind: "warn" };
      holder.note.say(texts, kind);
      markWrong(holder.input, kind === "bad");
    }
  }

  holders() {
    const known = [this.piece, this.metal, this.bath, this.stops, ...Object.values(this.byNumber), ...Object.values(this.byChoice)];
    return this.artwork.isRefused ? known : [...known, this.artwork];
  }

  /** Take what a plan offers: a gauge stop, the picture of its undercut, the thickness in mm. */
  offer(plan) {
    this.stops.offer(plan.offered_gauge_stops_mm);
    this.artwork.draw(plan.target_depth_mm, plan.etch_factor);
    const thickness_mm = plan.request.thickness_mm;
    const isOther = this.unit.value !== "mm" && thickness_mm !== null;
    this.byNumber.thickness.note.hintAt(isOther ? `That is ${fixed(thickness_mm, 3)} mm.` : THICKNESS_HINT);
  }

  /** Bring the person to the first field that is wrong or empty. */
  leadToProblem() {
    const { missing } = this.wish();
    const name = Object.keys(missing)[0];
    const target = this.parts.map((part) => part.querySelector("[aria-invalid]")).find(Boolean) ?? this.holder(name ?? "piece").input ?? this.artwork.file;
    target.focus();
    target.scrollIntoView({ block: "center" });
  }
}
