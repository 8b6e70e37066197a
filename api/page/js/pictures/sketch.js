// Small pictures of a run and the curves on paper, as SVG, so that they print and scale.

import { svg } from "../base/dom.js";
import { fixed } from "../base/numbers.js";
import { text } from "../base/text.js";

/** Return a small picture: depth as a filled hill, current as a line. */
export function sketch(points, targetMm, width = 112, height = 56) {
  const viewBox = `0 0 ${width} ${height}`;
  const picture = svg("svg", { class: "sketch", viewBox, width, height, "aria-hidden": "true" });
  draw(picture, points, targetMm, width, height);
  return picture;
}

/** Fill a small picture. */
export function draw(picture, points, targetMm, width = 112, height = 56) {
  const run = points.filter((point) => point.on_time_s > 0);
  const base = height - 4;
  picture.replaceChildren(
    svg("line", { class: "sketch-base", x1: 0, x2: width, y1: base, y2: base }),
  );
  if (run.length === 0) return;
  const end = run.at(-1).on_time_s;
  const deepest =
    Math.max(targetMm ?? 0, ...run.map((point) => point.depth_max_mm ?? 0), 1e-6) * 1.1;
  const most = Math.max(...run.map((point) => point.current_max_a), 1e-6) * 1.25;
  const at = (point, share) =>
    `${((point.on_time_s / end) * width).toFixed(1)} ${(base - share * base).toFixed(1)}`;
  const hill = run.map((point) => `L${at(point, (point.depth_max_mm ?? 0) / deepest)}`);
  const line = run.map((point, i) => `${i ? "L" : "M"}${at(point, point.current_mean_a / most)}`);
  picture.append(
    svg("path", { class: "sketch-depth", d: `M0 ${base}${hill.join("")}L${width} ${base}Z` }),
    svg("path", { class: "sketch-current", d: line.join("") }),
  );
  if (targetMm) {
    const y = base - (targetMm / deepest) * base;
    picture.append(svg("line", { class: "sketch-target", x1: 0, x2: width, y1: y, y2: y }));
  }
}

/** Return the curve "depth", "current" or "voltage" on paper. values: [[minutes, value]]. */
export function printedCurve(name, values, digits, target = null) {
  const [width, height] = [860, 128];
  const [left, bottom, top] = [58, 24, 20];
  const known = values.filter(([, value]) => value !== null);
  const end = Math.max(...known.map(([minutes]) => minutes), 0.1);
  const most = Math.max(...known.map(([, value]) => value), target ?? 0, 1e-3) * 1.1;
  const x = (minutes) => left + (minutes / end) * (width - left - 8);
  const y = (value) => height - bottom - (value / most) * (height - bottom - top);
  const line = known
    .map(([at, value], i) => `${i ? "L" : "M"}${x(at).toFixed(1)} ${y(value).toFixed(1)}`)
    .join("");
  const label = (words, px, py, anchor) =>
    svg("text", { x: px, y: py, "text-anchor": anchor }, words);
  const targetLine = { class: "printed-target", x1: left, x2: width - 8 };
  return svg(
    "svg",
    {
      class: "printed-curve",
      viewBox: `0 0 ${width} ${height}`,
      role: "img",
      "aria-label": text(`curves.${name}_over_time`),
    },
    svg("path", { class: "printed-axes", d: `M${left} ${top}V${height - bottom}H${width - 8}` }),
    target === null ? null : svg("line", { ...targetLine, y1: y(target), y2: y(target) }),
    svg("path", { class: "printed-line", d: line }),
    label(text(`curves.${name}`), left + 4, 14, "start"),
    label(fixed(most / 1.1, digits), left - 6, y(most / 1.1) + 5, "end"),
    label("0", left - 6, height - bottom + 4, "end"),
    label(text("curves.end", { minutes: fixed(end, 1) }), width - 8, height - 6, "end"),
  );
}
