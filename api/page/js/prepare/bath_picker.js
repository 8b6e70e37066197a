// The bath: chosen from the shelf of baths of this metal, or made up anew.

import { button, h, put, single } from "../base/dom.js";
import { attempt } from "../frame/commands.js";
import { field, numberField, textField } from "../base/field.js";
import { numberIn } from "../base/numbers.js";
import { get, post, RefusedError } from "../base/server.js";
import { closeSheet, openSheet } from "../base/sheet.js";
import { metalOf } from "../base/words.js";

const NONE_TITLE = "No bath named: nothing is learned";
const NEW = "\u0000new";

/** A list of the baths of a metal. onchange(): another one was chosen. */
export class BathPicker {
  constructor(onchange) {
    this.baths = [];
    this.metal = null;
    this.select = h("select", { onchange: () => this.choose() });
    this.field = field("Bath", this.select, { hint: "What gauge and scale teach is kept with the bath. One bath per metal." });
    this.element = this.field.element;
    this.note = this.field.note;
    this.chosen = "";
    this.onchange = onchange;
  }

  /** Fetch the shelf. */
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
    const options = [["", NONE_TITLE], ...known.map((bath) => [bath.name, bath.name]), [NEW, "Make up a new bath\u2026"]];
    if (this.chosen !== "" && !isKnown) options.splice(1, 0, [this.chosen, `${this.chosen} (not on the shelf of this metal)`]);
    this.select.replaceChildren(...options.map(([value, text]) => h("option", { value }, text)));
    this.select.value = this.chosen;
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
    }
    this.onchange();
  }
}

/** Ask for a new bath; resolves to it, or null. */
function askForBath(metal) {
  return new Promise((resolve) => {
    const name = textField("Name", "As it stands on the bottle.", 60);
    const acid = textField("Acid", "Kind and strength, for the record.", 80);
    const volume = numberField("Volume", "L", "For the expected warming.");
    const madeUp = field("Made up on", h("input", { type: "date" }));
    const problem = h("p", { class: "problem", role: "alert" });
    const finish = (bath) => {
      closeSheet(dialog);
      dialog.remove();
      resolve(bath);
    };
    const save = async () => {
      const wish = {
        name: name.input.value.trim(), metal, acid: acid.input.value.trim(), volume_l: numberIn(volume.input.value), made_up_on: madeUp.input.value || null,
      };
      const bath = await attempt(() => post("/api/baths", wish).catch((error) => {
        if (!(error instanceof RefusedError) || error.kind === "pairing-needed") throw error;
        put(problem, error.message);
        return null;
      }));
      if (bath !== null) finish(bath.bath ?? bath);
    };
    const dialog = h(
      "dialog",
      { "aria-labelledby": "bath-title", oncancel: () => finish(null) },
      h("form", { class: "stack", onsubmit: single(save) },
        h("h2", { id: "bath-title" }, "New bath"),
        h("p", {}, `For ${metalOf(metal)} alone: silver plates out on copper by itself.`),
        name.element, acid.element, h("div", { class: "two" }, volume.element, madeUp.element), problem,
        h("button", { type: "submit", class: "primary wide" }, "Keep this bath"),
        button("Not now", () => finish(null), { class: "wide" })),
    );
    document.body.append(dialog);
    openSheet(dialog);
  });
}
