// A field written by hand: an opening from 2 to 8 mm in the middle of 10 x 4 mm, and beside it a
// line opening of 0.4 mm from 8.6 to 9 mm, with a resist line of 0.6 mm between.

const [WIDTH, HEIGHT, PIXEL_MM] = [200, 80, 0.05];
const [CELLS_X, CELLS_Y] = [20, 8];
export const GRID = [0, 0.5, 1];

const edgeMm = (x) => {
  const openings = [[2, 8], [8.6, 9]];
  const inside = openings.find(([low, high]) => x > low && x < high);
  if (inside) return -Math.min(x - inside[0], inside[1] - x);
  return Math.min(...openings.flat().map((edge) => Math.abs(x - edge)));
};

/** Return the bytes of the field. ratios: per value of GRID, a function of the cell's column. */
export function fieldBytes({ word = "BITEFLD1", ratios = GRID.map(() => () => 1) } = {}) {
  const header = {
    width_px: WIDTH, height_px: HEIGHT, pixel_mm: PIXEL_MM, reach_mm: 1.5,
    origin_x_mm: 0, origin_y_mm: 0,
    ratio_width_px: CELLS_X, ratio_height_px: CELLS_Y, ratio_pixel_mm: 0.5,
    middle_x_mm: 5, middle_y_mm: 2, middle_ratios: ratios.map((of) => of(10)),
    evenness_grid: GRID, prior_evenness: 0.5,
  };
  let words = JSON.stringify(header);
  words += " ".repeat((8 - ((12 + words.length) % 8)) % 8);
  const pixels = WIDTH * HEIGHT;
  const size = 12 + words.length + 3 * pixels + 2 * GRID.length * CELLS_X * CELLS_Y;
  const buffer = new ArrayBuffer(size);
  const bytes = new Uint8Array(buffer);
  bytes.set(new TextEncoder().encode(word));
  const view = new DataView(buffer);
  view.setUint32(8, words.length, true);
  bytes.set(new TextEncoder().encode(words), 12);
  let at = 12 + words.length;
  for (let i = 0; i < pixels; i += 1, at += 2) {
    view.setInt16(at, Math.round(edgeMm(((i % WIDTH) + 0.5) * PIXEL_MM) * 1000), true);
  }
  for (let i = 0; i < pixels; i += 1, at += 1) {
    const x = ((i % WIDTH) + 0.5) * PIXEL_MM;
    bytes[at] = edgeMm(x) < 0 ? 0 : x > 8 && x < 8.6 ? 30 : 255;
  }
  for (const of of ratios) {
    for (let i = 0; i < CELLS_X * CELLS_Y; i += 1, at += 2) {
      view.setUint16(at, Math.round(32768 + 4096 * Math.log(of(i % CELLS_X))), true);
    }
  }
  return buffer;
}
