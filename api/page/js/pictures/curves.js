// Curves of depth, current and voltage over the etching time, drawn by uPlot.

import { h, put } from "../base/dom.js";
import { fixed } from "../base/numbers.js";
import { text } from "../base/text.js";

const HEIGHTS = { depth: 168, current: 118, voltage: 118 };
const FONT = "16px Hyperlegible, system-ui, sans-serif";
const REDRAW_MS = 1000;
const DASHES = [[], [7, 5]];

const PANELS = [
  { name: "depth", value: "depth_mm", digits: 3 },
  { name: "current", value: "current_a", digits: 2 },
  { name: "voltage", value: "voltage_v", digits: 2 },
];

/**
 * Three panels over one axis of time. show([{title, data, targetMm, marks}]): one or two runs;
 * data is a CurveData, marks are etching times in minutes with a word: [[minutes, word]].
 */
export class Curves {
  constructor() {
    this.runs = [];
    this.plots = new Map();
    this.drawnAt = 0;
    this.timer = null;
    this.readout = h("p", { class: "readout", "aria-hidden": "true" });
    this.key = h("p", { class: "axis-name" }, text("curves.key"));
    const box = ({ name }) =>
      h("div", { class: `curve curve-${name}` }, h("h3", {}, text(`curves.${name}`)));
    this.boxes = new Map(PANELS.map((panel) => [panel.name, box(panel)]));
    const axisName = h("p", { class: "axis-name" }, text("curves.minutes"));
    this.element = h(
      "div",
      { class: "curves" },
      ...this.boxes.values(),
      axisName,
      this.key,
      this.readout,
    );
    this.width = 0;
    new ResizeObserver(([entry]) => this.resize(Math.floor(entry.contentRect.width))).observe(
      this.element,
    );
    for (const question of ["(prefers-color-scheme: dark)", "(prefers-contrast: more)"]) {
      matchMedia(question).addEventListener("change", () => this.build());
    }
  }

  show(runs) {
    this.runs = runs;
    put(this.key, text(runs.length === 2 ? "curves.key_compared" : "curves.key"));
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
      const { name } = panel;
      const plot = new uPlot(this.options(panel, colours), this.rows(name), this.boxes.get(name));
      this.plots.set(name, plot);
    }
  }

  /** Return [minutes, series...]. Two runs share one axis of time. */
  rows(name) {
    const tables = this.runs.map(({ data }) => {
      const isBand = name === "depth" && this.runs.length === 1;
      return isBand ? [data.minutes, data.low, data.high, data.depth] : [data.minutes, data[name]];
    });
    return tables.length === 1 ? tables[0] : uPlot.join(tables);
  }

  options(panel, colours) {
    const isLast = panel.name === "voltage";
    const isBand = panel.name === "depth" && this.runs.length === 1;
    return {
      width: this.width,
      height: HEIGHTS[panel.name],
      padding: [10, 16, isLast ? 0 : 4, 0],
      legend: { show: false },
      cursor: {
        sync: { key: "curves" },
        drag: { x: false, y: false },
        points: { show: false },
        y: false,
      },
      scales: {
        x: { time: false, range: (_, least, most) => [0, Math.max(most ?? 0, 0.5)] },
        y: { range: (_, least, most) => this.rangeOf(panel, least, most) },
      },
      series: this.series(isBand, colours),
      bands: isBand ? [{ series: [2, 1], fill: colours.band }] : [],
      axes: axesOf(isLast, colours),
      hooks: {
        drawClear: [(plot) => this.drawMarks(plot, panel, colours)],
        setCursor: [(plot) => panel.name === "depth" && this.read(plot)],
      },
    };
  }

  series(isBand, colours) {
    const edge = () => ({ stroke: colours.soft, width: 1, points: { show: false } });
    const line = (run, index) => ({
      label: run.title,
      stroke: index === 0 ? colours.accent : colours.ink,
      width: 2.5,
      dash: DASHES[index],
      spanGaps: true,
      points: { show: false },
    });
    return [{}, ...(isBand ? [edge(), edge()] : []), ...this.runs.map(line)];
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
    for (const [minutes] of this.runs[0].marks ?? []) {
      strike(ctx, plot.valToPos(minutes, "x", true), null, bbox);
    }
    ctx.setLineDash([10 * devicePixelRatio, 5 * devicePixelRatio]);
    ctx.strokeStyle = colours.ink;
    if (panel.name === "depth") {
      strike(ctx, null, plot.valToPos(this.runs[0].targetMm, "y", true), bbox);
    }
    ctx.restore();
  }

  /** Show the values under the pointer. */
  read(plot) {
    const { idx } = plot.cursor;
    if (idx === null || idx === undefined || this.runs.length !== 1) return put(this.readout, "");
    const { data } = this.runs[0];
    const values = PANELS.map(({ name, value, digits }) => [value, fixed(data[name][idx], digits)]);
    const minutes = fixed(data.minutes[idx], 1);
    return put(this.readout, text("curves.at", { minutes, ...Object.fromEntries(values) }));
  }
}

function axesOf(isLast, colours) {
  const axis = {
    stroke: colours.muted,
    font: FONT,
    grid: { stroke: colours.line, width: 1 },
    ticks: { show: false },
  };
  const minutes = isLast ? (_, ticks) => ticks.map((tick) => String(tick)) : () => [];
  return [
    { ...axis, size: isLast ? 30 : 6, values: minutes, space: 60 },
    { ...axis, size: 58, space: 34, values: (_, ticks) => labelsOf(ticks) },
  ];
}

/** Return the labels of an axis with as many decimals as its step needs. */
export function labelsOf(ticks) {
  const step = ticks.length > 1 ? ticks[1] - ticks[0] : ticks[0];
  const fits = (count) => Math.abs(step - Number(step.toFixed(count))) < step / 1000;
  const digits = [0, 1, 2, 3].find(fits) ?? 4;
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
  return {
    accent: named("accent"),
    ink: named("ink"),
    muted: named("muted"),
    line: named("line"),
    soft: named("accent-line"),
    band: named("accent-soft"),
  };
}
