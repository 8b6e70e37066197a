// The section along a line, as a drawing with axes in mm. Pure geometry.

const LEFT_PX = 46;
const RIGHT_PX = 12;
const TOP_PX = 10;
const FOOT_PX = 26;
const STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100];
const HEIGHTS = [1, 2, 5, 10, 20, 50];

/**
 * Return {path, floor, ticksX, ticksY, times}: the metal's outline, and marks [{px, mm}]. Heights
 * are drawn `times` as large as lengths.
 */
export function profileDrawing(points, width, height) {
  const [room, tall] = [width - LEFT_PX - RIGHT_PX, height - TOP_PX - FOOT_PX];
  const lengthMm = Math.max(points.at(-1).atMm, 1e-9);
  const deepestMm = Math.max(...points.map((point) => point.depthMm), 0.01);
  const pxPerMm = room / lengthMm;
  const most = tall / (1.15 * deepestMm) / pxPerMm;
  const times = HEIGHTS.findLast((step) => step <= most) ?? most;
  const x = (mm) => LEFT_PX + mm * pxPerMm;
  const y = (mm) => TOP_PX + mm * pxPerMm * times;
  const line = points.map(({ atMm, depthMm }) => `L${n(x(atMm))} ${n(y(depthMm))}`).join("");
  const bottom = n(TOP_PX + tall);
  const path = `M${n(x(0))} ${bottom}${line}L${n(x(lengthMm))} ${bottom}Z`;
  const marks = (endMm, place, gapPx) => {
    const step = STEPS.find((mm) => Math.abs(place(mm) - place(0)) >= gapPx) ?? endMm;
    const count = Math.floor(endMm / step + 1e-9);
    return Array.from({ length: count + 1 }, (_, k) => ({ px: place(k * step), mm: k * step }));
  };
  return {
    path,
    surface: TOP_PX,
    left: LEFT_PX,
    right: x(lengthMm),
    bottom: TOP_PX + tall,
    times,
    ticksX: marks(lengthMm, x, 56),
    ticksY: marks(tall / pxPerMm / times, y, 24),
  };
}

const n = (value) => value.toFixed(1);
