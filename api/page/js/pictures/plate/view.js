// How a plate lies on the screen: part, size, turned and flipped as in the hand. Pure.
//
// A view is {x, y, pxPerMm, quarter, isFlipped}: the place of the plate in the middle of the
// screen, the size, quarter turns clockwise, and whether left and right are exchanged before.

const MOST_ENLARGED = 60;

/** Return the view that shows the whole plate in a box of so many pixels. */
export function fitted(plate, box, { quarter = 0, isFlipped = false } = {}) {
  const [w, h] = quarter % 2 ? [plate.heightMm, plate.widthMm] : [plate.widthMm, plate.heightMm];
  return {
    x: plate.xMm + plate.widthMm / 2,
    y: plate.yMm + plate.heightMm / 2,
    pxPerMm: Math.min(box.width / w, box.height / h),
    quarter,
    isFlipped,
  };
}

const COSINES = [1, 0, -1, 0];
const SINES = [0, 1, 0, -1];

/** Return the place of the plate under a point of the screen. */
export function toPlate(view, box, point) {
  const [u, v] = [point.x - box.width / 2, point.y - box.height / 2];
  const [cos, sin] = [COSINES[view.quarter], SINES[view.quarter]];
  const [x, y] = [(cos * u + sin * v) / view.pxPerMm, (-sin * u + cos * v) / view.pxPerMm];
  return { x: view.x + (view.isFlipped ? -x : x), y: view.y + y };
}

/** Return the point of the screen over a place of the plate. */
export function toScreen(view, box, place) {
  const [dx, dy] = [place.x - view.x, place.y - view.y];
  const [x, y] = [(view.isFlipped ? -dx : dx) * view.pxPerMm, dy * view.pxPerMm];
  const [cos, sin] = [COSINES[view.quarter], SINES[view.quarter]];
  return { x: box.width / 2 + cos * x - sin * y, y: box.height / 2 + sin * x + cos * y };
}

/** Return the view moved so that a place of the plate comes under a point. */
function held(view, box, place, point) {
  const there = toPlate(view, box, point);
  return { ...view, x: view.x + place.x - there.x, y: view.y + place.y - there.y };
}

/** Return the view moved by so many pixels of the screen. */
export function panned(view, box, dx, dy) {
  const middle = { x: box.width / 2, y: box.height / 2 };
  const place = toPlate(view, box, middle);
  return held(view, box, place, { x: middle.x + dx, y: middle.y + dy });
}

/** Return the view so many times as large; the place under the point stays. */
export function zoomed(view, box, factor, point, least) {
  const place = toPlate(view, box, point);
  const pxPerMm = Math.min(Math.max(view.pxPerMm * factor, least), least * MOST_ENLARGED);
  return held({ ...view, pxPerMm }, box, place, point);
}

/** Return the view kept over the plate: its middle never leaves it. */
export function bounded(view, plate) {
  const clip = (value, low, size) => Math.min(Math.max(value, low), low + size);
  return {
    ...view,
    x: clip(view.x, plate.xMm, plate.widthMm),
    y: clip(view.y, plate.yMm, plate.heightMm),
  };
}
