// A reading: depths of spots with datum and place, or a weighing. A surprising one is confirmed.

import { attempt } from "../frame/commands.js";
import { button, h, put, show, single } from "../base/dom.js";
import { choiceField, numberField, textField } from "../base/field.js";
import { depthsFromThickness, habits, remember } from "./gauge_habits.js";
import { bounds, fixed, numberIn, printed, tidy } from "../base/numbers.js";
import { path, post } from "../base/server.js";
import { TappedPlace } from "./tapped_place.js";
import { text } from "../base/text.js";
import { PLACES } from "../base/words.js";

const FIRST_SPOTS = 3;
const MOST_SPOTS = 12;

const own = (name) => text(`reading.${name}`);

/** A form for one run. onkept(answer): the reading was kept. */
export class ReadingForm {
  constructor(onkept, pictures) {
    this.onkept = onkept;
    this.pictures = pictures;
    this.runId = null;
    const kinds = [
      { name: "gauge", title: own("depths") },
      { name: "weighing", title: own("weights") },
    ];
    this.kind = choiceField(own("kind"), kinds, "");
    this.kind.element.addEventListener("change", () => this.unfold());
    this.problem = h("p", { class: "problem", role: "alert" });
    const label = { class: "stack", role: "group", "aria-label": own("surprising") };
    this.confirm = h("div", label);
    this.lesson = h("p", { role: "status" });
    this.element = h(
      "form",
      { class: "reading-form", novalidate: true, onsubmit: single(() => this.send(false)) },
      this.kind.element,
      this.gaugeParts(),
      this.weighingParts(),
      this.problem,
      this.confirm,
      h("button", { type: "submit", class: "primary wide" }, own("keep")),
      this.lesson,
    );
    this.clear();
  }

  gaugeParts() {
    this.spots = h("div", { class: "spots" });
    this.place = choiceField(own("where"), PLACES, own("where_hint"), { isTall: true });
    this.tapped = new TappedPlace(this.pictures, (at) => show(this.place.element, at === null));
    const data = [
      { name: "metal", title: own("bare_metal") },
      { name: "resist", title: own("resist") },
      { name: "back", title: own("back") },
    ];
    this.datum = choiceField(own("datum"), data, own("datum_hint"), { isTall: true });
    this.datum.element.addEventListener("change", () => this.unfold());
    this.start = numberField(own("start"), "mm", own("start_hint"));
    this.tape = numberField(own("tape"), "mm", own("tape_hint"));
    this.back = h("div", { class: "two" }, this.start.element, this.tape.element);
    this.person = textField(own("person"), own("person_hint"), 40);
    this.tool = textField(own("tool"), "", 40);
    this.step = numberField(own("gauge_step"), "mm", "");
    this.gauge = h(
      "div",
      {},
      h("h3", {}, own("spots")),
      this.spots,
      button(own("one_more"), () => this.addSpot(true)),
      this.tapped.element,
      this.place.element,
      this.datum.element,
      this.back,
      this.step.element,
      h("div", { class: "two" }, this.person.element, this.tool.element),
    );
    return this.gauge;
  }

  weighingParts() {
    this.before = numberField(own("before"), "g", own("before_hint"));
    this.after = numberField(own("after"), "g", own("after_hint"));
    this.scale = numberField(own("scale_step"), "g", "");
    const weights = h("div", { class: "two" }, this.before.element, this.after.element);
    this.weighing = h("div", {}, weights, this.scale.element);
    return this.weighing;
  }

  clear() {
    this.spots.replaceChildren();
    for (let count = 0; count < FIRST_SPOTS; count += 1) this.addSpot(false);
    this.kind.write("gauge");
    this.place.write("centre");
    const last = habits();
    this.datum.write(last.datum);
    this.step.input.value = last.step;
    this.tape.input.value = last.tape;
    this.person.input.value = last.person;
    this.tool.input.value = last.gauge;
    this.scale.input.value = "0.01";
    this.tapped.clear();
    this.before.input.value = this.after.input.value = "";
    put(this.problem, "");
    this.confirm.replaceChildren();
    this.unfold();
  }

  addSpot(isAsked) {
    const count = this.spots.children.length;
    if (count >= MOST_SPOTS) return;
    const input = h("input", {
      type: "text",
      inputmode: "decimal",
      autocomplete: "off",
      maxlength: "8",
      "aria-label": text("reading.spot", { number: count + 1 }),
    });
    this.spots.append(input);
    if (isAsked) input.focus();
  }

  unfold() {
    const isGauge = this.kind.read() === "gauge";
    show(this.gauge, isGauge);
    show(this.back, this.datum.read() === "back");
    show(this.weighing, !isGauge);
  }

  /** Return the reading as the API takes it, or a text that says what is missing. */
  reading() {
    if (this.kind.read() === "weighing") {
      const [before_g, after_g] = [this.before, this.after].map(({ input }) =>
        numberIn(input.value),
      );
      if (before_g === null || after_g === null) return own("weights_missing");
      const resolution_g = numberIn(this.scale.input.value) ?? 0.01;
      return { kind: "weighing", before_g, after_g, resolution_g };
    }
    const typed = [...this.spots.children].map((input) => input.value.trim());
    const spots_mm = typed.filter((depth) => depth !== "").map(numberIn);
    if (spots_mm.length === 0 || spots_mm.includes(null)) return own("depth_missing");
    const depths_mm = this.datum.read() === "back" ? this.fromBack(spots_mm) : spots_mm;
    if (depths_mm === null) return own("no_depth_from_back");
    const reading = {
      kind: "gauge",
      spots_mm: depths_mm,
      place: this.place.read(),
      from_resist_top: this.datum.read() === "resist",
      resolution_mm: numberIn(this.step.input.value) ?? 0.01,
    };
    if (this.tapped.place !== null) reading.at = this.tapped.place;
    const [person, gauge] = [this.person, this.tool].map(({ input }) => input.value.trim());
    if (person !== "") reading.person = person;
    if (gauge !== "") reading.gauge = gauge;
    return reading;
  }

  fromBack(spotsMm) {
    const [start, tape] = [this.start, this.tape].map(({ input }) => numberIn(input.value));
    return depthsFromThickness(spotsMm, start, tape);
  }

  /** Show the plate that is gauged: as PictureBox, and {best, low, high} of its depth. */
  about(plate, depth) {
    this.tapped.show(plate, depth);
    const { input } = this.start;
    if (input.value === "" && plate?.thicknessMm != null) input.value = tidy(plate.thicknessMm);
  }

  async send(isConfirmed) {
    const reading = this.reading();
    put(this.problem, typeof reading === "string" ? reading : "");
    this.confirm.replaceChildren();
    if (typeof reading === "string") return;
    const body = isConfirmed ? { ...reading, is_confirmed: true } : reading;
    const address = path("runs", this.runId, "readings");
    const refused = (error) => this.refused(error);
    const answer = await attempt(() => post(address, body).catch(refused));
    if (answer === null) return;
    remember({
      datum: this.datum.read(),
      step: this.step.input.value,
      tape: this.tape.input.value,
      person: this.person.input.value.trim(),
      gauge: this.tool.input.value.trim(),
    });
    this.clear();
    put(this.lesson, answer.lesson ?? "");
    this.onkept(answer);
  }

  refused(error) {
    if (error.kind === "pairing-needed") throw error;
    put(this.problem, printed(error.message));
    if (error.kind === "surprising-reading") {
      const { surprise } = error;
      if (surprise?.depth_mm != null) put(this.problem, surpriseText(surprise));
      this.confirm.replaceChildren(
        button(own("confirm"), () => this.send(true), { class: "wide" }),
      );
    }
    return null;
  }
}

function surpriseText(surprise) {
  const read_mm = fixed(surprise.read_depth_mm, 3);
  return text("reading.surprise", { read_mm, ...bounds(surprise) });
}
