// Depth on a ruler: the estimate, its interval, the wanted depth, the gauge stops.

import { mark, svg } from "../base/dom.js";

const HEIGHT = 34;
const ROOM = 1.06;

/** A ruler from 0 to a little beyond the target or the interval's upper end. */
export class DepthBar {
  constructor() {
    const make = (name) => svg("rect", { class: `rule-${name}` });
    this.track = svg("rect", {
      class: "rule-track",
      x: 0,
      y: 11,
      height: 12,
      width: "100%",
      rx: 6,
    });
    this.done = make("done");
    this.likely = make("likely");
    this.target = make("target");
    this.stops = svg("g", {});
    this.element = svg(
      "svg",
      { class: "rule", width: "100%", height: HEIGHT, "aria-hidden": "true" },
      this.track,
      this.done,
      this.likely,
      this.target,
      this.stops,
    );
  }

  show(depth, targetMm, stopsMm) {
    const end = Math.max(targetMm, depth.high ?? 0) * ROOM;
    const at = (mm) => `${((100 * Math.min(mm, end)) / end).toFixed(2)}%`;
    place(this.done, { x: 0, y: 11, width: at(depth.best), height: 12, rx: 6 });
    const [low, high] = [depth.low ?? depth.best, depth.high ?? depth.best];
    const width = `${((100 * (Math.min(high, end) - low)) / end).toFixed(2)}%`;
    place(this.likely, { x: at(low), y: 26, width, height: 4 });
    place(this.target, { x: at(targetMm), y: 2, width: 3, height: 30 });
    const wanted = stopsMm.join();
    if (this.stops.dataset.wanted === `${wanted} ${end}`) return;
    this.stops.dataset.wanted = `${wanted} ${end}`;
    const stop = (mm) => svg("rect", { class: "rule-stop", x: at(mm), y: 6, width: 3, height: 22 });
    this.stops.replaceChildren(...stopsMm.map(stop));
  }
}

function place(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) mark(element, name, value);
}
