// Gauge stops: depths at which the run pauses to be gauged. The controller suggests one for the
// first runs in a bath.

import { button, h, put, show } from "../base/dom.js";
import { Note } from "../base/field.js";
import { fixed, numberIn } from "../base/numbers.js";
import { text } from "../base/text.js";

const MOST = 10;

/** A list of depths. onchange(): it changed. */
export class GaugeStops {
  constructor(onchange) {
    this.onchange = onchange;
    this.stops = [];
    this.list = h("ul", { class: "stops" });
    this.input = h("input", {
      id: "gauge-stop",
      type: "text",
      inputmode: "decimal",
      autocomplete: "off",
      maxlength: "8",
    });
    this.offered = button("", () => this.add(this.offeredMm), { class: "wide" });
    this.offeredMm = null;
    this.note = new Note(text("prepare.stops.hint"));
    const unit = h("span", { class: "only-heard" }, text("prepare.stops.in_mm"));
    const add = button(text("prepare.stops.add"), () => this.addTyped());
    this.element = h(
      "div",
      { class: "field" },
      h("label", { for: "gauge-stop" }, text("prepare.stops.gauge_stops"), unit),
      h("div", { class: "input-row" }, this.input, add),
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
    const row = (mm) => {
      const depth_mm = fixed(mm, 2);
      const label = text("prepare.stops.remove", { depth_mm });
      const words = text("prepare.stops.stop", { depth_mm });
      return h(
        "li",
        {},
        button(words, () => this.remove(mm), { "aria-label": label }),
      );
    };
    const none = h("li", { class: "quiet" }, text("app.none"));
    this.list.replaceChildren(...(this.stops.length === 0 ? [none] : this.stops.map(row)));
  }

  /** Show the stop that the controller suggests. */
  offer(offered) {
    this.offeredMm = offered[0] ?? null;
    show(this.offered, this.offeredMm !== null);
    if (this.offeredMm === null) return;
    put(this.offered, text("prepare.stops.add_offered", { depth_mm: fixed(this.offeredMm, 2) }));
  }

  addTyped() {
    const mm = numberIn(this.input.value);
    if (mm === null || mm <= 0) return this.note.say([text("prepare.stops.type_first")], "bad");
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
