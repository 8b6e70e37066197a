// Curves of depth, current and voltage over the time with the relay on, drawn by uPlot.

import { h, put } from "../base/dom.js";
import { fixed } from "../base/numbers.js";

const HEIGHTS = { depth: 168, current: 118, voltage: 118 };
const FONT = "16px Hyperlegible, system-ui, sans-serif";
const REDRAW_MS = 1000;
const DASHES = [[], [7, 5]];

const PANELS = [
  { name: "depth", title: "Depth", unit: "mm", digits: 3 },
  { name: "current", title: "Current", unit: "A", digits: 2 },
  { name: "voltage", title: "Voltage", unit: "V", digits: 2 },
];

/**
 * Three panels over one time. show(runs): [{title, data, targetMm, marks}], one or two runs to compare;
 * data is a CurveData, marks are relay-on times in minutes with a word: [[minutes, word]].
 */
export class Curves {
  constructor() {
    this.runs = [];
    this.plots = new Map();
    this.drawnAt = 0;
    this.timer = null;
    this.readout = h("p", { class: "readout", "aria-hidden": "true" });
    this.boxes = new Map(PANELS.map(({ name, title, unit }) => [name, h("div", { class: `curve curve-${name}` }, h("h3", {}, `${title}, ${unit}`))]));
    this.element = h("div", { class: "curves" }, ...this.boxes.values(), h("p", { class: "axis-name" }, "minutes with the relay on"), this.readout);
    this.width = 0;
    new ResizeObserver(([entry]) => this.resize(Math.floor(entry.contentRect.width))).observe(this.element);
    for (const question of ["(prefers-color-scheme: dark)", "(prefers-contrast: more)"]) {
      matchMedia(question).addEventListener("change", () => this.build());
    }
  }

  show(runs) {
    this.runs = runs;
    this.build();
  }

  /** Draw new points, at most once a second. */
  refresh() {
    if (this.timer !== null) return;
    const wait = Math.max(0, REDRAW_MS - (performance.now() - this.drawnAt));
    this.timer = setTimeout(() => this.redraw(), wait);
  }

  redraw() {
    this.timer = null;
    this.drawnAt = performance.now();
    if (this.element.offsetParent === null) return;
    for (const [name, plot] of this.plots) plot.setData(this.rows(name));
  }

  resize(width) {
    if (width === this.width || width === 0) return;
    this.width = width;
    if (this.plots.size === 0) this.build();
    for (const [name, plot] of this.plots) plot.setSize({ width, height: HEIGHTS[name] });
  }

  build() {
    for (const plot of this.plots.values()) plot.destroy();
    this.plots.clear();
    if (this.width === 0 || this.runs.length === 0) return;
    const colours = coloursOf(this.element);
    for (const panel of PANELS) {
      this.plots.set(panel.name, new uPlot(this.options(panel, colours), this.rows(panel.name), this.boxes.get(panel.name)));
    }
  }

  /** Return [minutes, series...]; of two runs on one axis of time. */
  rows(name) {
    const tables = this.runs.map(({ data }) => {
      const isBand = name === "depth" && this.runs.length === 1;
      return isBand ? [data.minutes, data.low, data.high, data.depth] : [data.minutes, data[name]];
    });
    return tables.length === 1 ? tables[0] : uPlot.join(tables);
  }

  options(panel, colours) {
    const isLast = panel.name === "voltage";
    const line = (index) => ({
      label: this.runs[index].title, stroke: index === 0 ? colours.accent : colours.ink, width: 2.5, dash: DASHES[index],
      spanGaps: true, points: { show: false },
    });
    const isBand = panel.name === "depth" && this.runs.length === 1;
    const bounds = isBand ? [0, 1].map(() => ({ stroke: colours.soft, width: 1, points: { show: false } })) : [];
    const series = [{}, ...bounds, ...this.runs.map((_, index) => line(index))];
    const axis = { stroke: colours.muted, font: FONT, grid: { stroke: colours.line, width: 1 }, ticks: { show: false } };
    return {
      width: this.width, height: HEIGHTS[panel.name], padding: [10, 12, isLast ? 0 : 4, 0],
      legend: { show: false },
      cursor: { sync: { key: "curves" }, drag: { x: false, y: false }, points: { show: false }, y: false },
      scales: { x: { time: false, range: (_, least, most) => [0, Math.max(most ?? 0, 0.5)] }, y: { range: (_, least, most) => this.rangeOf(panel, least, most) } },
      series,
      bands: isBand ? [{ series: [2, 1], fill: colours.band }] : [],
      axes: [
        { ...axis, size: isLast ? 30 : 6, values: isLast ? (_, ticks) => ticks.map((tick) => String(tick)) : () => [], space: 60 },
        { ...axis, size: 58, space: 34, values: (_, ticks) => labelsOf(ticks) },
      ],
      hooks: { drawClear: [(plot) => this.drawMarks(plot, panel, colours)], setCursor: [(plot) => panel.name === "depth" && this.read(plot)] },
    };
  }

  rangeOf(panel, least, most) {
    const targets = panel.name === "depth" ? this.runs.map((run) => run.targetMm * 1.1) : [];
    const top = Math.max(most ?? 0, ...targets, panel.name === "depth" ? 0.01 : 1);
    return [Math.min(0, least ?? 0), top * 1.08];
  }

  drawMarks(plot, panel, colours) {
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.lineWidth = devicePixelRatio;
    ctx.strokeStyle = colours.muted;
    ctx.setLineDash([2 * devicePixelRatio, 5 * devicePixelRatio]);
    for (const [minutes] of this.runs[0].marks ?? []) strike(ctx, plot.valToPos(minutes, "x", true), null, bbox);
    ctx.setLineDash([10 * devicePixelRatio, 5 * devicePixelRatio]);
    ctx.strokeStyle = colours.ink;
    if (panel.name === "depth") strike(ctx, null, plot.valToPos(this.runs[0].targetMm, "y", true), bbox);
    ctx.restore();
  }

  /** Tell what stands under the pointer. */
  read(plot) {
    const { idx } = plot.cursor;
    if (idx === null || idx === undefined || this.runs.length !== 1) return put(this.readout, "");
    const { data } = this.runs[0];
    const words = PANELS.map(({ name, unit, digits }) => `${fixed(data[name][idx], digits)} ${unit}`);
    return put(this.readout, `${fixed(data.minutes[idx], 1)} min: ${words.join(", ")}`);
  }
}

/** Return the labels of an axis with as many decimals as its step needs. */
export function labelsOf(ticks) {
  const step = ticks.length > 1 ? ticks[1] - ticks[0] : ticks[0];
  const digits = [0, 1, 2, 3].find((count) => Math.abs(step - Number(step.toFixed(count))) < step / 1000) ?? 4;
  return ticks.map((tick) => tick.toFixed(digits));
}

function strike(ctx, x, y, box) {
  ctx.beginPath();
  ctx.moveTo(x ?? box.left, y ?? box.top);
  ctx.lineTo(x ?? box.left + box.width, y ?? box.top + box.height);
  ctx.stroke();
}

function coloursOf(element) {
  const style = getComputedStyle(element);
  const named = (name) => style.getPropertyValue(`--${name}`).trim();
  return { accent: named("accent"), ink: named("ink"), muted: named("muted"), line: named("line"), soft: named("accent-line"), band: named("accent-soft") };
}
