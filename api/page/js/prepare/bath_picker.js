// The bath: one of the known baths of this metal, or a new one.

import { button, h, put, single } from "../base/dom.js";
import { attempt } from "../frame/commands.js";
import { field, numberField, textField } from "../base/field.js";
import { numberIn } from "../base/numbers.js";
import { get, post, RefusedError } from "../base/server.js";
import { closeDialog, openDialog } from "../base/dialog.js";
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
    this.fresh = new FreshAcid(() => this.fetch().then(() => this.onchange()));
    this.element = h("div", {}, this.field.element, this.fresh.element);
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
      const made = await askForBath(this.metal);
      if (made === null) return;
      await this.fetch();
      if (!this.baths.some((bath) => bath.name === made.name)) this.baths = [made, ...this.baths];
      this.write(made.name);
    } else {
      this.chosen = this.select.value;
      this.fresh.offer(this.chosen);
    }
    this.onchange();
  }
}

/** Ask for a new bath. Resolves to it, or to null. */
function askForBath(metal) {
  return new Promise((resolve) => {
    const name = textField(text("bath.name"), text("bath.name_hint"), 60);
    const acid = textField(text("bath.acid"), text("bath.acid_hint"), 80);
    const volume = numberField(text("bath.volume"), "L", text("bath.volume_hint"));
    const madeUp = field(text("bath.made_up_on"), h("input", { type: "date" }));
    const problem = h("p", { class: "problem", role: "alert" });
    const finish = (bath) => {
      closeDialog(dialog);
      dialog.remove();
      resolve(bath);
    };
    const save = async () => {
      const request = {
        name: name.input.value.trim(),
        metal,
        acid: acid.input.value.trim(),
        volume_l: numberIn(volume.input.value),
        made_up_on: madeUp.input.value || null,
      };
      const refused = (error) => {
        if (!(error instanceof RefusedError) || error.kind === "pairing-needed") throw error;
        put(problem, error.message);
        return null;
      };
      const bath = await attempt(() => post("/api/baths", request).catch(refused));
      if (bath !== null) finish(bath.bath ?? bath);
    };
    const dialog = h(
      "dialog",
      { "aria-labelledby": "bath-title", oncancel: () => finish(null) },
      h(
        "form",
        { class: "stack", onsubmit: single(save) },
        h("h2", { id: "bath-title" }, text("bath.new_title")),
        h("p", {}, text("bath.one_metal", { metal: metalOf(metal) })),
        name.element,
        acid.element,
        h("div", { class: "two" }, volume.element, madeUp.element),
        problem,
        h("button", { type: "submit", class: "primary wide" }, text("bath.keep")),
        button(text("bath.not_now"), () => finish(null), { class: "wide" }),
      ),
    );
    document.body.append(dialog);
    openDialog(dialog);
  });
}
