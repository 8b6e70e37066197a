// The field of a plate as the controller sends it: distances, widths and currents. Pure.
//
// controller/artwork/relief/field_form.py describes the bytes.

import { text } from "../../base/text.js";

const MAGIC = "BITEFLD1";
const ZERO_CODE = 32768;
const CODES_PER_E = 4096;
const HEAD_BYTES = 12;

/** The resist is wider than the field reaches: no undercut that is drawn washes it out. */
export const WIDE = 255;

/** Units of the tables, mm. */
export const DISTANCE_UNIT_MM = 0.001;
export const HALF_WIDTH_UNIT_MM = 0.01;

/** Return the field in a buffer. Throws when the buffer holds none. */
export function readField(buffer) {
  const bytes = new Uint8Array(buffer);
  const word = String.fromCharCode(...bytes.subarray(0, MAGIC.length));
  if (word !== MAGIC || bytes.length < HEAD_BYTES) throw new Error(text("plate.damaged"));
  const length = new DataView(buffer).getUint32(MAGIC.length, true);
  const words = bytes.subarray(HEAD_BYTES, HEAD_BYTES + length);
  const header = JSON.parse(new TextDecoder().decode(words));
  const [pixels, cells] = [
    header.width_px * header.height_px,
    header.ratio_width_px * header.ratio_height_px,
  ];
  let at = HEAD_BYTES + length;
  const take = (Kind, count) => {
    const start = at;
    at += count * Kind.BYTES_PER_ELEMENT;
    if (at > bytes.length) throw new Error(text("plate.damaged"));
    return new Kind(buffer.slice(start, at));
  };
  const distance = take(Int16Array, pixels);
  const half = take(Uint8Array, pixels);
  const codes = header.evenness_grid.map(() => take(Uint16Array, cells));
  return { header, distance, half, codes };
}

/** Return the depth of each coarse cell over that in the middle of the widest floor. */
export function ratiosAt(field, evenness) {
  const { evenness_grid: grid, middle_ratios: middle } = field.header;
  const above = Math.max(
    1,
    grid.findIndex((value) => value >= evenness),
  );
  const below = above - 1;
  const part = (evenness - grid[below]) / (grid[above] - grid[below]);
  const one = (number, cell) => {
    const code = field.codes[number][cell];
    return code === 0 ? 1 : Math.exp((code - ZERO_CODE) / CODES_PER_E) / middle[number];
  };
  return Float32Array.from(
    field.codes[0],
    (_, cell) => one(below, cell) * (1 - part) + one(above, cell) * part,
  );
}
