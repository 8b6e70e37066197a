// What the colours and patterns of a picture mean, each with a patch of the picture itself.

import { h } from "../../base/dom.js";
import { fixed } from "../../base/numbers.js";
import { text } from "../../base/text.js";
import { LEFT_FROM, leftColour, lineColour } from "./paint.js";
import { LOST, OPEN, SLOPE, WHOLE } from "./surface.js";

const SIDE_PX = 24;

/** Return the rows of a legend. */
export function legend(mode, thicknessMm) {
  const own = (name, values) => text(`plate.legend.${name}`, values);
  if (mode === "lines") {
    return [
      row(own("open"), (x, y) => lineColour(OPEN, x, y)),
      row(own("slope"), (x, y) => lineColour(SLOPE, x, y)),
      row(own("lost"), (x, y) => lineColour(LOST, x, y)),
      row(own("whole"), (x, y) => lineColour(WHOLE, x, y)),
    ];
  }
  if (mode === "left") {
    const bounds = LEFT_FROM.map((share) => fixed(share * thicknessMm, 2));
    const words = (k) =>
      k === 0
        ? own("left_most", { from_mm: bounds[0] })
        : own("left", { from_mm: bounds[k], to_mm: bounds[k - 1] });
    const rows = LEFT_FROM.map((_, k) => row(words(k), (x, y) => leftColour(k, x, y)));
    return [...rows, row(own("hole"), (x, y) => leftColour(LEFT_FROM.length, x, y))];
  }
  return [h("p", {}, own(mode))];
}

function row(words, colourAt) {
  const patch = h("canvas", { width: SIDE_PX, height: SIDE_PX, "aria-hidden": "true" });
  const pen = patch.getContext("2d");
  const image = pen.createImageData(SIDE_PX, SIDE_PX);
  for (let i = 0; i < SIDE_PX * SIDE_PX; i += 1) {
    const [red, green, blue] = colourAt(i % SIDE_PX, Math.floor(i / SIDE_PX));
    image.data.set([red, green, blue, 255], 4 * i);
  }
  pen.putImageData(image, 0, 0);
  return h("p", { class: "plate-legend-row" }, patch, words);
}
