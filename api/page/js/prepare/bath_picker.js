// The bath: one of the known baths of this metal, or a new one.

import { button, h } from "../base/dom.js";
import { field } from "../base/field.js";
import { get } from "../base/server.js";
import { text } from "../base/text.js";
import { FreshAcid } from "./fresh_acid.js";
import { metalOf } from "../base/words.js";

const NEW = "\u0000new";

/** A list of the baths of a metal. onchange(): another one was chosen. */
export class BathPicker {
  constructor(onchange) {
    this.baths = [];
    this.metal = null;
    this.select = h("select", { onchange: () => this.choose() });
    this.field = field(text("bath.bath"), this.select, { hint: text("bath.hint") });
    this.card = button(text("bath.card"), () => this.openCard(), { class: "wide" });
    this.fresh = new FreshAcid(() => this.fetch().then(() => this.onchange()));
    const parts = [this.field.element, this.card, this.fresh.element];
    this.element = h("div", { class: "bath-picker" }, ...parts);
    this.note = this.field.note;
    this.chosen = "";
    this.onchange = onchange;
  }

  /** Fetch the known baths. */
  async fetch() {
    try {
      this.baths = (await get("/api/baths")).baths;
    } catch {
      this.baths = [];
    }
    this.fill();
  }

  /** Offer the baths of a metal. */
  offer(metal) {
    if (metal !== this.metal) {
      this.metal = metal;
      this.fill();
    }
  }

  fill() {
    const known = this.baths.filter((bath) => bath.metal === this.metal && !bath.is_retired);
    const isKnown = known.some((bath) => bath.name === this.chosen);
    const unknown = this.chosen === "" || isKnown ? [] : [this.chosen];
    const options = [
      ["", text("bath.no_bath")],
      ...unknown.map((name) => [name, text("bath.unknown", { name })]),
      ...known.map(({ name }) => [name, name]),
      [NEW, text("bath.new")],
    ];
    this.select.replaceChildren(...options.map(([value, title]) => h("option", { value }, title)));
    this.select.value = this.chosen;
    this.fresh.offer(isKnown ? this.chosen : "");
    this.card.disabled = this.bath() === null;
  }

  read() {
    return this.chosen;
  }

  write(name) {
    this.chosen = name;
    this.fill();
  }

  /** Return the chosen bath, or null. */
  bath() {
    return this.baths.find((bath) => bath.name === this.chosen) ?? null;
  }

  async choose() {
    if (this.select.value === NEW) {
      this.select.value = this.chosen;
      if (!(await this.keepCard(null))) return;
    } else {
      this.chosen = this.select.value;
      this.fresh.offer(this.chosen);
      this.card.disabled = this.bath() === null;
    }
    this.onchange();
  }

  /** Open the chosen bath's card. */
  async openCard() {
    if (await this.keepCard(this.bath())) this.onchange();
  }

  /** Ask for a bath, new or known, and choose it. Resolves to whether one was kept. */
  async keepCard(known) {
    const { askForBath } = await import("./bath_card.js");
    const made = await askForBath(this.metal, known);
    if (made === null) return false;
    await this.fetch();
    if (!this.baths.some((bath) => bath.name === made.name)) this.baths = [made, ...this.baths];
    this.write(made.name);
    return true;
  }
}
