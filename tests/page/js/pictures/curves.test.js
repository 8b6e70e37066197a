import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { Curves, labelsOf } from "../../../../api/page/js/pictures/curves.js";
import { ClockDouble } from "../doubles/clock_double.js";
import { setPage } from "../doubles/page_double.js";

const DATA = {
  minutes: [0, 1], low: [0, 0.02], high: [0, 0.05], depth: [0, 0.03], current: [2.8, 2.7],
  voltage: [3.1, 3.2],
};

let clock;
let plots;
let resized;
let changed;

/** A plot that keeps what it was given. */
class PlotDouble {
  static join(tables) {
    return ["joined", ...tables];
  }

  constructor(options, rows, box) {
    Object.assign(this, { options, rows, box, isThere: true });
    plots.push(this);
  }

  setData(rows) {
    this.rows = rows;
  }

  setSize(size) {
    this.size = size;
  }

  destroy() {
    this.isThere = false;
  }
}

beforeEach(() => {
  clock = new ClockDouble();
  setPage();
  [plots, changed] = [[], []];
  globalThis.uPlot = PlotDouble;
  globalThis.devicePixelRatio = 2;
  globalThis.ResizeObserver = class {
    constructor(listener) {
      resized = (width) => listener([{ contentRect: { width } }]);
    }

    observe() {}
  };
  globalThis.matchMedia = () => ({ addEventListener: (_, listener) => changed.push(listener) });
  globalThis.getComputedStyle = () => ({ getPropertyValue: (name) => ` ${name.slice(2)}` });
});

const run = (changes = {}) => ({ title: "this run", data: DATA, targetMm: 0.25, ...changes });

function drawn(runs = [run()]) {
  const curves = new Curves();
  curves.element.offsetParent = document.body;
  resized(400.7);
  curves.show(runs);
  return curves;
}

const there = () => plots.filter(({ isThere }) => isThere);
const range = (plot, axis, least, most) => plot.options.scales[axis].range(null, least, most);

test("three panels over one time", () => {
  drawn();
  assert.deepEqual(there().map(({ rows }) => rows), [
    [DATA.minutes, DATA.low, DATA.high, DATA.depth], [DATA.minutes, DATA.current],
    [DATA.minutes, DATA.voltage],
  ]);
  assert.deepEqual(there().map(({ options }) => [options.width, options.height]),
    [[400, 168], [400, 118], [400, 118]]);
  const titles = there().map(({ box }) => box.textContent);
  assert.deepEqual(titles, ["Depth, mm", "Current, A", "Voltage, V"]);
});

test("the interval is a band", () => {
  drawn();
  const [{ options }] = there();
  assert.equal(options.series.length, 4);
  assert.deepEqual(options.bands, [{ series: [2, 1], fill: "accent-soft" }]);
  assert.deepEqual(options.series.slice(1).map(({ stroke }) => stroke),
    ["accent-line", "accent-line", "accent"]);
  assert.deepEqual([there()[1].options.bands, there()[1].options.series.length], [[], 2]);
});

test("two runs share an axis", () => {
  const other = run({ title: "the other", data: { ...DATA, depth: [0, 0.04] } });
  drawn([run(), other]);
  const [{ rows, options }] = there();
  assert.deepEqual(rows,
    ["joined", [DATA.minutes, DATA.depth], [DATA.minutes, other.data.depth]]);
  assert.deepEqual(options.bands, []);
  const lines = options.series.slice(1).map(({ label, stroke, dash }) => [label, stroke, dash]);
  assert.deepEqual(lines, [["this run", "accent", []], ["the other", "ink", [7, 5]]]);
});

test("time begins at nothing", () => {
  drawn();
  assert.deepEqual(range(plots[0], "x", 3, 17), [0, 17]);
  assert.deepEqual(range(plots[0], "x", 0, 0.2), [0, 0.5]);
  assert.deepEqual(range(plots[0], "x", null, null), [0, 0.5]);
});

test("the target always fits", () => {
  drawn([run(), run({ targetMm: 0.4 })]);
  const near = ([low, high], wanted) => {
    assert.equal(low, wanted[0]);
    assert.ok(Math.abs(high - wanted[1]) < 1e-9, `${high}`);
  };
  near(range(plots[0], "y", 0, 0.1), [0, 0.4 * 1.1 * 1.08]);
  near(range(plots[0], "y", 0, 0.9), [0, 0.9 * 1.08]);
  near(range(plots[0], "y", null, null), [0, 0.4 * 1.1 * 1.08]);
  near(range(plots[1], "y", -0.5, 3), [-0.5, 3 * 1.08]);
  near(range(plots[1], "y", 0.5, 3), [0, 3 * 1.08]);
  near(range(plots[1], "y", null, null), [0, 1.08]);
  drawn([run({ targetMm: 0 })]);
  near(range(plots[3], "y", 0, 0), [0, 0.01 * 1.08]);
});

test("labels as fine as the step", () => {
  assert.deepEqual(labelsOf([0, 5, 10]), ["0", "5", "10"]);
  assert.deepEqual(labelsOf([0, 0.5, 1]), ["0.0", "0.5", "1.0"]);
  assert.deepEqual(labelsOf([0, 0.05, 0.1]), ["0.00", "0.05", "0.10"]);
  assert.deepEqual(labelsOf([0.1, 0.125]), ["0.100", "0.125"]);
  assert.deepEqual(labelsOf([0, 0.0025]), ["0.0000", "0.0025"]);
  assert.deepEqual(labelsOf([0, 0.1, 0.2, 0.30000000000000004]), ["0.0", "0.1", "0.2", "0.3"]);
  assert.deepEqual(labelsOf([0.25]), ["0.25"]);
  assert.deepEqual(labelsOf([2, 2.001]), ["2.000", "2.001"]);
});

test("times below the last panel", () => {
  drawn();
  const under = there().map(({ options }) => options.axes[0].values(null, [0, 2.5]));
  assert.deepEqual(under, [[], [], ["0", "2.5"]]);
  assert.deepEqual(there()[0].options.axes[1].values(null, [0, 0.1]), ["0.0", "0.1"]);
  assert.deepEqual(there().map(({ options }) => options.axes[0].size), [6, 6, 30]);
});

/** Return the lines that the marks of a panel are, [[x, y], [x, y]]. */
function marksOf(plot, valToPos) {
  const lines = [];
  const dashes = [];
  const ctx = {
    save() {}, restore() {}, beginPath() {}, stroke() {},
    setLineDash: (dash) => dashes.push(dash),
    moveTo: (...at) => lines.push([at]),
    lineTo: (...at) => lines.at(-1).push(at),
  };
  const bbox = { left: 10, top: 20, width: 300, height: 100 };
  plot.options.hooks.drawClear[0]({ ctx, bbox, valToPos });
  return { lines, dashes, ctx };
}

const valToPos = (value, axis, isPixel) => {
  assert.equal(isPixel, true);
  return axis === "x" ? 10 + value * 10 : 120 - value * 100;
};

test("the target and the events", () => {
  drawn([run({ marks: [[2, "paused"], [3, "resumed"]] })]);
  const { lines, dashes, ctx } = marksOf(there()[0], valToPos);
  assert.deepEqual(lines, [
    [[30, 20], [30, 120]], [[40, 20], [40, 120]], [[10, 95], [310, 95]],
  ]);
  assert.deepEqual(dashes, [[4, 10], [20, 10]]);
  assert.equal(ctx.lineWidth, 2);
  assert.equal(marksOf(there()[1], valToPos).lines.length, 2, "the target is a depth");
});

test("without events only the target", () => {
  drawn();
  assert.equal(marksOf(there()[0], valToPos).lines.length, 1);
});

const point = (curves, idx) => {
  const [{ options }] = there();
  options.hooks.setCursor[0]({ cursor: { idx } });
  return curves.readout.textContent;
};

test("the readout under a finger", () => {
  const curves = drawn();
  assert.equal(point(curves, 1), "1.0 min: 0.030 mm, 2.70 A, 3.20 V");
  for (const nowhere of [null, undefined]) assert.equal(point(curves, nowhere), "");
  there()[1].options.hooks.setCursor[0]({ cursor: { idx: 0 } });
  assert.equal(curves.readout.textContent, "", "the first panel speaks for all");
  assert.equal(point(drawn([run(), run()]), 1), "");
});

test("new points once a second", async () => {
  const curves = drawn();
  await clock.pass(5000);
  curves.refresh();
  await clock.pass(0);
  const first = there()[0].rows;
  curves.refresh();
  curves.refresh();
  assert.equal(clock.timers.size, 1);
  await clock.pass(999);
  assert.equal(there()[0].rows, first);
  await clock.pass(1);
  assert.notEqual(there()[0].rows, first);
});

test("unseen curves are not drawn", async () => {
  const curves = drawn();
  const before = there()[0].rows;
  curves.element.offsetParent = null;
  curves.refresh();
  await clock.pass(5000);
  assert.equal(there()[0].rows, before);
});

test("a new width is taken", () => {
  const curves = drawn();
  resized(500);
  assert.deepEqual(there().map(({ size }) => size), [
    { width: 500, height: 168 }, { width: 500, height: 118 }, { width: 500, height: 118 },
  ]);
  const before = there()[0].size;
  resized(500);
  resized(0);
  assert.equal(there()[0].size, before);
  assert.equal(curves.width, 500);
});

test("drawn as soon as there is room", () => {
  const curves = new Curves();
  curves.show([run()]);
  assert.equal(plots.length, 0);
  resized(300);
  assert.equal(there().length, 3);
  curves.show([]);
  assert.equal(there().length, 0);
});

test("other colours, drawn again", () => {
  drawn();
  assert.equal(changed.length, 2);
  for (const listener of changed) {
    const before = plots.length;
    listener();
    assert.equal(plots.length, before + 3);
    assert.equal(there().length, 3);
  }
});
