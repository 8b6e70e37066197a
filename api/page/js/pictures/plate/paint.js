// Fills a picture of a surface, pixel by pixel. Pure: it writes into an array of RGBA bytes.
//
// Classes differ in pattern as well as in colour, so that nothing depends on seeing colours.

import { BESIDE, LOST, OPEN, SLOPE } from "./surface.js";
import { toPlate } from "./view.js";

const PAPER = [214, 220, 222];
const SURFACE = [247, 247, 242];
const ETCHED = [0, 73, 116];
const UNDER = [140, 205, 240];
const GONE = [213, 94, 0];
const INK = [20, 25, 28];
const WHITE = [255, 255, 255];

/** Shares of the sheet that are left, from which each class of metal left begins. */
export const LEFT_FROM = [0.75, 0.5, 0.25, 0];

/** The patterns of metal left, from most to least; the last is a hole. */
const LEFT = [
  () => [232, 236, 238],
  (x, y) => (x % 7 < 2 && y % 7 < 2 ? INK : [178, 210, 226]),
  (x, y) => ((x + y) % 8 < 2 ? INK : [96, 160, 192]),
  (x, y) => ((x + y) % 8 < 2 || (x - y + 8000) % 8 < 2 ? WHITE : [0, 73, 116]),
  (x, y) => ((x + y) % 10 < 5 ? GONE : INK),
];

/** Return the class of metal left, 0 most to 3 least, 4 none. */
export function leftClass(leftMm, thicknessMm) {
  if (leftMm <= 0) return 4;
  return LEFT_FROM.findIndex((share) => leftMm >= share * thicknessMm);
}

/** Return the colour of a class of metal left at a pixel. */
export const leftColour = (number, x, y) => LEFT[number](x, y);

/** Return the colour of a kind of place in the picture of lines. */
export function lineColour(kind, x, y) {
  if (kind === LOST) return (x + y) % 8 < 4 ? GONE : (x - y + 8000) % 8 < 1 ? INK : WHITE;
  if (kind === OPEN) return ETCHED;
  if (kind === SLOPE) return UNDER;
  return kind === BESIDE ? PAPER : SURFACE;
}

/**
 * Fill bytes of width times height pixels. mode: "relief", "lines" or "left". The light comes from
 * the top left of the screen, however the plate is turned.
 */
export function paint(bytes, box, surface, view, mode, thicknessMm = null) {
  const { width, height } = box;
  const scaled = { ...view, pxPerMm: view.pxPerMm };
  const origin = toPlate(scaled, box, { x: 0.5, y: 0.5 });
  const right = toPlate(scaled, box, { x: 1.5, y: 0.5 });
  const below = toPlate(scaled, box, { x: 0.5, y: 1.5 });
  const [ax, ay] = [right.x - origin.x, right.y - origin.y];
  const [bx, by] = [below.x - origin.x, below.y - origin.y];
  const depths = new Float32Array(width * height);
  const kinds = new Uint8Array(width * height);
  for (let y = 0, i = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1, i += 1) {
      const found = surface.at(origin.x + ax * x + bx * y, origin.y + ay * x + by * y);
      depths[i] = found.depthMm;
      kinds[i] = found.kind;
    }
  }
  const colour = colouring(mode, { depths, kinds, width, height, view, thicknessMm, surface });
  for (let y = 0, i = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1, i += 1) {
      const [red, green, blue] = kinds[i] === BESIDE ? PAPER : colour(x, y, i);
      bytes[4 * i] = red;
      bytes[4 * i + 1] = green;
      bytes[4 * i + 2] = blue;
      bytes[4 * i + 3] = 255;
    }
  }
}

function colouring(mode, { depths, kinds, width, height, view, thicknessMm, surface }) {
  if (mode === "lines") return (x, y, i) => lineColour(kinds[i], x, y);
  if (mode === "left") {
    return (x, y, i) => leftColour(leftClass(thicknessMm - depths[i], thicknessMm), x, y);
  }
  const deepest = Math.max(surface.depthMm * 1.3, 1e-6);
  return (x, y, i) => {
    const to = (step, at, most) => (at + step < 0 || at + step >= most ? 0 : step);
    const dx = depths[i + to(1, x, width)] - depths[i + to(-1, x, width)];
    const dy = depths[i + to(1, y, height) * width] - depths[i + to(-1, y, height) * width];
    const grey = shade((-dx * view.pxPerMm) / 2, (-dy * view.pxPerMm) / 2, depths[i] / deepest);
    return [grey, grey, grey + 3];
  };
}

/** Return the grey of a slope: rise to the right and downwards, and depth over the deepest. */
export function shade(rise, fall, deep) {
  const [lx, ly, lz] = [-0.5, -0.5, Math.SQRT1_2];
  const facing = (lz - lx * rise - ly * fall) / Math.sqrt(1 + rise * rise + fall * fall);
  const matt = 1 - 0.42 * Math.min(Math.max(deep, 0), 1);
  return Math.round(Math.min(28 + 262 * Math.max(facing, 0) * matt, 252));
}
