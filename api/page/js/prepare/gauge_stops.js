// Gauge stops: depths at which the run pauses to be gauged; the controller offers one for the first runs in a bath.

import { button, h, put, show } from "../base/dom.js";
import { Note } from "../base/field.js";
import { fixed, numberIn } from "../base/numbers.js";

const MOST = 10;

/** A list of depths. onchange(): it changed. */
export class GaugeStops {
  constructor(onchange) {
    this.onchange = onchange;
    this.stops = [];
    this.list = h("ul", { class: "stops" });
    this.input = h("input", { id: "gauge-stop", type: "text", inputmode: "decimal", autocomplete: "off", maxlength: "8" });
    this.offered = button("", () => this.add(this.offeredMm), { class: "wide" });
    this.offeredMm = null;
    this.note = new Note("The run pauses there: lift, rinse, gauge, go on.");
    this.element = h(
      "div",
      { class: "field" },
      h("label", { for: "gauge-stop" }, "Gauge stops", h("span", { class: "only-heard" }, " in mm")),
      h("div", { class: "input-row" }, this.input, button("Add at this depth", () => this.addTyped())),
      this.list,
      h("div", { class: "offer" }, this.offered),
      this.note.element,
    );
    this.write([]);
    this.offer([]);
  }

  read() {
    return this.stops;
  }

  write(stops) {
    this.stops = [...stops].sort((a, b) => a - b);
    const row = (mm) => h("li", {}, button(`${fixed(mm, 3)} mm \u00d7`, () => this.remove(mm), { "aria-label": `Remove the gauge stop at ${fixed(mm, 3)} mm` }));
    this.list.replaceChildren(...(this.stops.length === 0 ? [h("li", { class: "quiet" }, "None")] : this.stops.map(row)));
  }

  /** Show what the controller offers. */
  offer(offered) {
    this.offeredMm = offered[0] ?? null;
    show(this.offered, this.offeredMm !== null);
    if (this.offeredMm !== null) put(this.offered, `Add the offered stop at ${fixed(this.offeredMm, 3)} mm`);
  }

  addTyped() {
    const mm = numberIn(this.input.value);
    if (mm === null || mm <= 0) return this.note.say(["type a depth in mm first"], "bad");
    this.note.say([], "warn");
    this.input.value = "";
    return this.add(mm);
  }

  add(mm) {
    const rounded = Number(mm.toFixed(4));
    if (this.stops.includes(rounded) || this.stops.length >= MOST) return;
    this.write([...this.stops, rounded]);
    this.onchange();
  }

  remove(mm) {
    this.write(this.stops.filter((stop) => stop !== mm));
    this.input.focus();
    this.onchange();
  }
}
