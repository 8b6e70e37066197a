// The section along the drawn line: metal in grey, axes in mm, the stretch of heights in words.

import { h, put, show, svg } from "../../base/dom.js";
import { tidy } from "../../base/numbers.js";
import { text } from "../../base/text.js";
import { profileDrawing } from "./profile_drawing.js";

const WIDTH = 340;
const HEIGHT = 190;

/** A figure. show(points): pairs from Surface.profile, or null for none. */
export class ProfileFigure {
  constructor() {
    this.drawing = svg("svg", { class: "plate-profile", viewBox: `0 0 ${WIDTH} ${HEIGHT}` });
    this.caption = h("figcaption", { class: "quiet" });
    this.element = h("figure", { class: "plate-profile-figure" }, this.drawing, this.caption);
    this.show(null);
  }

  show(points) {
    show(this.drawing, points !== null);
    if (points === null) return put(this.caption, text("plate.draw_line"));
    const drawn = profileDrawing(points, WIDTH, HEIGHT);
    const line = (x1, y1, x2, y2) => svg("line", { class: "plate-axis", x1, y1, x2, y2 });
    const word = (x, y, words, anchor) =>
      svg("text", { class: "plate-tick", x, y, "text-anchor": anchor }, words);
    const across = drawn.ticksX.flatMap(({ px, mm }) => [
      line(px, drawn.bottom, px, drawn.bottom + 4),
      word(px, drawn.bottom + 19, tidy(mm, 3), "middle"),
    ]);
    const down = drawn.ticksY.flatMap(({ px, mm }) => [
      line(drawn.left - 4, px, drawn.left, px),
      word(drawn.left - 7, px + 5, tidy(mm, 3), "end"),
    ]);
    this.drawing.replaceChildren(
      svg("path", { class: "plate-metal", d: drawn.path }),
      line(drawn.left, drawn.surface, drawn.right, drawn.surface),
      line(drawn.left, drawn.surface, drawn.left, drawn.bottom),
      line(drawn.left, drawn.bottom, drawn.right, drawn.bottom),
      ...across,
      ...down,
    );
    const deepest_mm = Math.max(...points.map((point) => point.depthMm)).toFixed(2);
    const times = tidy(drawn.times, 2);
    const key = drawn.times === 1 ? "plate.profile_true" : "plate.profile_stretched";
    return put(this.caption, text(key, { deepest_mm, times }));
  }
}
