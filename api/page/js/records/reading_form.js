// A reading: spot depths with datum and place, or a weighing. What surprises is asked about, not swallowed.

import { attempt } from "../frame/commands.js";
import { button, h, put, show, single } from "../base/dom.js";
import { choiceField, numberField } from "../base/field.js";
import { fixed, interval, numberIn, printed } from "../base/numbers.js";
import { path, post } from "../base/server.js";
import { PLACES } from "../base/words.js";

const FIRST_SPOTS = 3;
const MOST_SPOTS = 12;

/** A form for one run. ontaken(answer): the reading was kept. */
export class ReadingForm {
  constructor(ontaken) {
    this.ontaken = ontaken;
    this.runId = null;
    this.kind = choiceField("What did you read?", [{ name: "gauge", title: "Depths" }, { name: "weighing", title: "Weights" }], "");
    this.kind.element.addEventListener("change", () => this.unfold());
    this.problem = h("p", { class: "problem", role: "alert" });
    this.confirm = h("div", { class: "stack", role: "group", "aria-label": "A surprising reading" });
    this.element = h(
      "form",
      { class: "reading-form", novalidate: true, onsubmit: single(() => this.send(false)) },
      this.kind.element, this.gaugeParts(), this.weighingParts(), this.problem, this.confirm,
      h("button", { type: "submit", class: "primary wide" }, "Take this reading"),
    );
    this.clear();
  }

  gaugeParts() {
    this.spots = h("div", { class: "spots" });
    this.place = choiceField("Where?", PLACES, "Small fields and edges run deeper than wide floors.", { isTall: true });
    this.datum = choiceField("The gauge stood on", [{ name: "metal", title: "Bare metal" }, { name: "resist", title: "Top of the resist" }], "From the resist\u2019s top its film is taken off.");
    this.step = numberField("Smallest step of the gauge", "mm", "");
    this.gauge = h("div", {}, h("h3", {}, "Depth at each spot, in mm"), this.spots, button("One more spot", () => this.addSpot(true)), this.place.element, this.datum.element, this.step.element);
    return this.gauge;
  }

  weighingParts() {
    this.before = numberField("Weight before", "g", "Bare, before lamination.");
    this.after = numberField("Weight after", "g", "Stripped and dry.");
    this.scale = numberField("Smallest step of the scale", "g", "");
    this.weighing = h("div", {}, h("div", { class: "two" }, this.before.element, this.after.element), this.scale.element);
    return this.weighing;
  }

  clear() {
    this.spots.replaceChildren();
    for (let count = 0; count < FIRST_SPOTS; count += 1) this.addSpot(false);
    this.kind.write("gauge");
    this.place.write("centre");
    this.datum.write("metal");
    this.step.input.value = this.scale.input.value = "0.01";
    this.before.input.value = this.after.input.value = "";
    put(this.problem, "");
    this.confirm.replaceChildren();
    this.unfold();
  }

  addSpot(isAsked) {
    const count = this.spots.children.length;
    if (count >= MOST_SPOTS) return;
    const input = h("input", { type: "text", inputmode: "decimal", autocomplete: "off", maxlength: "8", "aria-label": `Spot ${count + 1}, mm` });
    this.spots.append(input);
    if (isAsked) input.focus();
  }

  unfold() {
    const isGauge = this.kind.read() === "gauge";
    show(this.gauge, isGauge);
    show(this.weighing, !isGauge);
  }

  /** Return the reading as it is sent, or a text that says what is missing. */
  wish() {
    if (this.kind.read() === "weighing") {
      const [before_g, after_g] = [this.before, this.after].map(({ input }) => numberIn(input.value));
      if (before_g === null || after_g === null) return "Give the weight before and after, in g.";
      return { kind: "weighing", before_g, after_g, resolution_g: numberIn(this.scale.input.value) ?? 0.01 };
    }
    const typed = [...this.spots.children].map((input) => input.value.trim()).filter((text) => text !== "");
    const spots_mm = typed.map(numberIn);
    if (spots_mm.length === 0 || spots_mm.includes(null)) return "Give the depth at one spot at least, in mm.";
    const from_resist_top = this.datum.read() === "resist";
    return { kind: "gauge", spots_mm, place: this.place.read(), from_resist_top, resolution_mm: numberIn(this.step.input.value) ?? 0.01 };
  }

  async send(isConfirmed) {
    const wish = this.wish();
    put(this.problem, typeof wish === "string" ? wish : "");
    this.confirm.replaceChildren();
    if (typeof wish === "string") return;
    const body = isConfirmed ? { ...wish, is_confirmed: true } : wish;
    const answer = await attempt(() => post(path("runs", this.runId, "readings"), body).catch((error) => this.refused(error)));
    if (answer === null) return;
    this.clear();
    this.ontaken(answer);
  }

  refused(error) {
    if (error.kind === "pairing-needed") throw error;
    put(this.problem, printed(error.message));
    if (error.kind === "surprising-reading") {
      const { surprise } = error;
      this.confirm.replaceChildren(
        ...(surprise?.depth_mm == null ? [] : [h("p", {}, `Expected ${fixed(surprise.depth_mm, 3)} mm (${interval(surprise.depth_low_mm, surprise.depth_high_mm, 3)}), read ${fixed(surprise.read_depth_mm, 3)} mm.`)]),
        button("It is right: take it", () => this.send(true), { class: "wide" }),
      );
    }
    return null;
  }
}
