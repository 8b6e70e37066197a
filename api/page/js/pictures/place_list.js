// Places on the plate with their depths, and the thinnest metal left.

import { h, pairs, show } from "../base/dom.js";
import { fixed, withUnit } from "../base/numbers.js";
import { text } from "../base/text.js";

/** Return a depth with its range, as a gauge would read it: "0.25 (0.22 to 0.29)". */
export const depthAndRange = ({ depth_mm, depth_low_mm, depth_high_mm }) =>
  text("depth_at.depth", {
    depth_mm: fixed(depth_mm, 2),
    low_mm: fixed(depth_low_mm, 2),
    high_mm: fixed(depth_high_mm, 2),
  });

/** Return the thinnest metal left in words, or null where it is not known. */
export const metalLeft = (mm) =>
  typeof mm === "number" ? withUnit(Math.max(0, mm), 2, "mm") : null;

/** The depths at the places; without known places nothing is shown. */
export class PlaceList {
  /** @param isFolded whether the list opens by a tap on its title. */
  constructor({ isFolded = false } = {}) {
    this.list = h("div", {});
    const title = text("depth_at.title");
    this.element = isFolded
      ? h("details", { class: "places" }, h("summary", {}, title), this.list)
      : h("div", { class: "places" }, h("h3", {}, title), this.list);
    this.show([], null);
  }

  /** Show places as plan and status have them; leave out the one shown elsewhere. */
  show(places, metalLeftMm, leftOut = null) {
    const shown = places.filter(({ name }) => name !== leftOut);
    const rows = shown.map((place) => [place.title, depthAndRange(place)]);
    const left = metalLeft(metalLeftMm);
    if (left !== null) rows.push([text("depth_at.metal_left"), left]);
    this.list.replaceChildren(pairs(rows));
    show(this.element, places.length > 0);
  }
}
