// The etched surface at a depth: what a pointer or a pixel finds at a place. Pure.
//
// Under the resist the front is a quarter ellipse: at a distance s from the edge the depth is
// d * sqrt(1 - (s / x)^2), with d the local depth and x = d / etch factor.

import { DISTANCE_UNIT_MM, HALF_WIDTH_UNIT_MM, ratiosAt, WIDE } from "./field.js";

/** Kinds of places: beside the plate, open floor, slope, washed out, whole surface. */
export const [BESIDE, OPEN, SLOPE, LOST, WHOLE] = [0, 1, 2, 3, 4];

/** The surface of a field. set() changes the depth; the rest stays. */
export class Surface {
  constructor(field) {
    this.field = field;
    this.ratios = null;
    this.evenness = null;
    this.depthMm = 0;
    this.etchFactor = 1;
  }

  set({ depthMm, etchFactor, evenness = null }) {
    const wanted = evenness ?? this.field.header.prior_evenness;
    if (wanted !== this.evenness) this.ratios = ratiosAt(this.field, wanted);
    Object.assign(this, { depthMm, etchFactor, evenness: wanted });
  }

  /** Return {kind, depthMm, localMm} at a place from the artwork's top left corner. */
  at(xMm, yMm) {
    const { header } = this.field;
    const column = (xMm - header.origin_x_mm) / header.pixel_mm;
    const row = (yMm - header.origin_y_mm) / header.pixel_mm;
    const isInside =
      column >= 0 && row >= 0 && column < header.width_px && row < header.height_px;
    if (!isInside) return { kind: BESIDE, depthMm: 0, localMm: 0 };
    const localMm = this.depthMm * this.ratioAt(column, row);
    const sMm = this.distanceMm(column - 0.5, row - 0.5);
    if (sMm <= 0) return { kind: OPEN, depthMm: localMm, localMm };
    const underMm = localMm / this.etchFactor;
    const half = this.field.half[Math.floor(row) * header.width_px + Math.floor(column)];
    const isLost = half > 0 && half < WIDE && half * HALF_WIDTH_UNIT_MM <= underMm;
    if (sMm >= underMm) return { kind: isLost ? LOST : WHOLE, depthMm: 0, localMm };
    const depthMm = localMm * Math.sqrt(1 - (sMm / underMm) ** 2);
    return { kind: isLost ? LOST : SLOPE, depthMm, localMm };
  }

  /** Return the distance to the nearest edge, straight between the pixels' middles. */
  distanceMm(column, row) {
    const { width_px: width, height_px: height } = this.field.header;
    const { distance } = this.field;
    const x = Math.min(Math.max(column, 0), width - 1);
    const y = Math.min(Math.max(row, 0), height - 1);
    const [left, top] = [Math.min(x | 0, width - 2), Math.min(y | 0, height - 2)];
    const [fx, fy] = [x - left, y - top];
    const at = top * width + left;
    const upper = distance[at] * (1 - fx) + distance[at + 1] * fx;
    const lower = distance[at + width] * (1 - fx) + distance[at + width + 1] * fx;
    return (upper * (1 - fy) + lower * fy) * DISTANCE_UNIT_MM;
  }

  /** Return the local ratio, straight between the coarse cells' middles. */
  ratioAt(column, row, ratios = this.ratios) {
    const { header } = this.field;
    const [width, height] = [header.ratio_width_px, header.ratio_height_px];
    const step = header.pixel_mm / header.ratio_pixel_mm;
    const x = Math.min(Math.max(column * step - 0.5, 0), width - 1);
    const y = Math.min(Math.max(row * step - 0.5, 0), height - 1);
    const [left, top] = [x | 0, y | 0];
    const [right, below] = [Math.min(left + 1, width - 1), Math.min(top + 1, height - 1)];
    const [fx, fy] = [x - left, y - top];
    const upper = ratios[top * width + left] * (1 - fx) + ratios[top * width + right] * fx;
    const lower = ratios[below * width + left] * (1 - fx) + ratios[below * width + right] * fx;
    return upper * (1 - fy) + lower * fy;
  }

  /** Return depth at a place over that in the middle of the widest floor, for an evenness. */
  ratioFor({ x, y }, evenness) {
    const { header } = this.field;
    const column = (x - header.origin_x_mm) / header.pixel_mm;
    const row = (y - header.origin_y_mm) / header.pixel_mm;
    return this.ratioAt(column, row, ratiosAt(this.field, evenness));
  }

  /** Return [{atMm, depthMm}] along a line between two places {x, y}, mm. */
  profile(from, to, points = 240) {
    const lengthMm = Math.hypot(to.x - from.x, to.y - from.y);
    return Array.from({ length: points }, (_, number) => {
      const part = number / (points - 1);
      const [x, y] = [from.x + part * (to.x - from.x), from.y + part * (to.y - from.y)];
      return { atMm: part * lengthMm, depthMm: this.at(x, y).depthMm };
    });
  }
}
