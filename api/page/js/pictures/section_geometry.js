// The cross-section of the plate in pixels, to scale, from real numbers. Pure.
//
// Undercut per side is depth over etch factor; under the resist the front is a quarter ellipse. The
// opening has the artwork's mean width, twice its area over its edge length. One that is unknown or
// too wide is broken in the middle.

const BATH_PX = 30;
const LABEL_PX = 132;
const FOOT_PX = 14;
const LEAST_TARGET_PX = 24;
const SHOWN_RESIST_MM = 0.7;
const LEAST_OPENING_PX = 44;

/** Return the mean width of an opening in mm, or null when its edge length is unknown. */
export const meanOpeningMm = (areaMm2, edgeMm) => (edgeMm > 0 ? (2 * areaMm2) / edgeMm : null);

/** Return what a section shows of a plan, {thicknessMm, filmMm, etchFactor, openingMm, ...}. */
export function plateOf(plan) {
  const { request } = plan;
  return {
    thicknessMm: request.thickness_mm,
    filmMm: request.film_mm ?? 0.045,
    etchFactor: plan.etch_factor,
    openingMm: meanOpeningMm(request.area_mm2, request.edge_mm),
    targetMm: plan.target_depth_mm,
    sides: request.sides,
  };
}

/** Return the scale and the faces of the sheet in px: {pxPerMm, surface, back, isSheetBroken}. */
export function scaleOf(plate, height) {
  const filmed = (plate.thicknessMm ?? 0) + 2 * plate.filmMm;
  const room = height - BATH_PX - FOOT_PX;
  const whole = plate.thicknessMm === null ? 0 : room / filmed;
  const least = LEAST_TARGET_PX / plate.targetMm;
  const isSheetBroken = whole < least;
  const pxPerMm = isSheetBroken
    ? Math.min(least, room / (2 * plate.targetMm + plate.filmMm))
    : Math.min(whole, 2.2 * least);
  const surface = BATH_PX + plate.filmMm * pxPerMm;
  const back = isSheetBroken ? height - FOOT_PX : surface + plate.thicknessMm * pxPerMm;
  return { pxPerMm, surface, back, isSheetBroken };
}

/** Return the edges of the opening: {left, right, isOpeningBroken}, in px. */
export function openingOf(plate, pxPerMm, width) {
  const room = width - LABEL_PX;
  const resist = Math.max(SHOWN_RESIST_MM * pxPerMm, room * 0.16);
  const wide = room - 2 * resist;
  const wanted = plate.openingMm === null ? Infinity : plate.openingMm * pxPerMm;
  const isOpeningBroken = wanted > wide;
  const open = isOpeningBroken ? Math.max(wide, LEAST_OPENING_PX) : wanted;
  return { left: (room - open) / 2, right: (room + open) / 2, room, isOpeningBroken };
}

/** Return the path of the metal with its hollow (in both faces when two sides are etched). */
export function metalPath({ left, right, room }, scale, plate, depthMm) {
  const { pxPerMm, surface, back, isSheetBroken } = scale;
  const [deep, under] = [depthMm * pxPerMm, (depthMm / plate.etchFactor) * pxPerMm];
  const arc = (x, y) => `A${n(under)} ${n(deep)} 0 0 0 ${n(x)} ${n(y)}`;
  const down = `H${n(left - under)}${arc(left, surface + deep)}`;
  const front = `${down}H${n(right)}${arc(right + under, surface)}`;
  const up = `H${n(right + under)}${arc(right, back - deep)}`;
  const behind = `${up}H${n(left)}${arc(left - under, back)}`;
  const isHollow = deep >= 0.05;
  const hasBack = isHollow && plate.sides === 2 && !isSheetBroken;
  const top = `M0 ${n(surface)}${isHollow ? front : ""}`;
  return `${top}H${n(room)}V${n(back)}${hasBack ? behind : ""}H0Z`;
}

/** Return the path of the resist: on both faces, open where the metal is bare. */
export function resistPath({ left, right, room }, { surface, back, isSheetBroken }, plate, film) {
  const strip = (from, to, y) => `M${from} ${n(y)}H${n(to)}v${n(film)}H${from}Z`;
  const face = (y, isOpen) =>
    isOpen ? strip(0, left, y) + strip(n(right), room, y) : strip(0, room, y);
  return face(surface - film, true) + (isSheetBroken ? "" : face(back, plate.sides === 2));
}

/** Return a length in mm for the scale bar, and in px. */
export function scaleBar(pxPerMm, most) {
  const mm =
    [5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01].find((length) => length * pxPerMm <= most) ?? 0.01;
  return { mm, px: mm * pxPerMm };
}

/** Return two label heights at least `gap` apart, as near as possible to where they belong. */
export function parted(first, second, gap) {
  if (Math.abs(first - second) >= gap) return [first, second];
  const middle = (first + second) / 2;
  const half = first <= second ? gap / 2 : -gap / 2;
  return [middle - half, middle + half];
}

const n = (value) => value.toFixed(1);
