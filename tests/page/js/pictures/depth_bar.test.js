import assert from "node:assert/strict";
import { test } from "node:test";

import { DepthBar } from "../../../../api/page/js/pictures/depth_bar.js";
import { setPage } from "../doubles/page_double.js";

/** Return the positions of a part in percent of the rule's width. */
function part(bar, name) {
  const element = bar.element.querySelector(`.rule-${name}`);
  const percent = (attribute) => {
    const text = element.getAttribute(attribute);
    assert.match(text, /%$/);
    return Number(text.slice(0, -1));
  };
  return { element, percent };
}

function shown(depth, targetMm = 0.25, stopsMm = []) {
  setPage();
  const bar = new DepthBar();
  bar.show(depth, targetMm, stopsMm);
  return bar;
}

const near = (found, wanted) => assert.ok(Math.abs(found - wanted) < 0.011, `${found}, ${wanted}`);

test("the bar ends at the best estimate", () => {
  const bar = shown({ best: 0.1, low: 0.08, high: 0.13 });
  // The rule is 6 % longer than the target: 0.25 mm x 1.06 = 0.265 mm.
  near(part(bar, "done").percent("width"), (100 * 0.1) / 0.265);
  assert.equal(part(bar, "done").element.getAttribute("x"), "0");
});

test("the interval lies between its bounds", () => {
  const likely = part(shown({ best: 0.1, low: 0.08, high: 0.13 }), "likely");
  near(likely.percent("x"), (100 * 0.08) / 0.265);
  near(likely.percent("width"), (100 * 0.05) / 0.265);
});

test("the target has its mark", () => {
  near(part(shown({ best: 0, low: 0, high: 0 }), "target").percent("x"), 100 / 1.06);
});

test("a deeper interval lengthens the rule", () => {
  const bar = shown({ best: 0.3, low: 0.27, high: 0.4 });
  near(part(bar, "done").percent("width"), (100 * 0.3) / 0.424);
  near(part(bar, "target").percent("x"), (100 * 0.25) / 0.424);
  near(part(bar, "likely").percent("x"), (100 * 0.27) / 0.424);
  near(part(bar, "likely").percent("width"), (100 * 0.13) / 0.424);
});

test("without an interval nothing is claimed", () => {
  const bar = shown({ best: 0.1, low: null, high: null });
  near(part(bar, "likely").percent("x"), (100 * 0.1) / 0.265);
  assert.equal(part(bar, "likely").percent("width"), 0);
});

test("nothing runs over the end", () => {
  const bar = shown({ best: 0.9, low: 0.1, high: 0.2 });
  assert.equal(part(bar, "done").percent("width"), 100);
  near(part(bar, "likely").percent("width"), (100 * 0.1) / 0.265);
});

test("each gauge stop has its mark", () => {
  const bar = shown({ best: 0.1, low: 0.08, high: 0.13 }, 0.25, [0.0625, 0.188]);
  const marks = bar.element.querySelectorAll(".rule-stop");
  const places = marks.map((stop) => Number(stop.getAttribute("x").slice(0, -1)));
  assert.equal(places.length, 2);
  near(places[0], (100 * 0.0625) / 0.265);
  near(places[1], (100 * 0.188) / 0.265);
});

test("stops follow the length", () => {
  const bar = shown({ best: 0.1, low: 0.08, high: 0.13 }, 0.25, [0.1]);
  const first = bar.element.querySelector(".rule-stop");
  bar.show({ best: 0.11, low: 0.09, high: 0.14 }, 0.25, [0.1]);
  assert.equal(bar.element.querySelector(".rule-stop"), first, "not made again for nothing");
  bar.show({ best: 0.3, low: 0.27, high: 0.4 }, 0.25, [0.1]);
  const moved = bar.element.querySelector(".rule-stop");
  near(Number(moved.getAttribute("x").slice(0, -1)), (100 * 0.1) / 0.424);
  bar.show({ best: 0.3, low: 0.27, high: 0.4 }, 0.25, []);
  assert.equal(bar.element.querySelector(".rule-stop"), null);
});

test("marks lie on the track", () => {
  // Layout, no source: the drawing is 34 px high, the track lies at 11 to 23 px.
  const bar = shown({ best: 0.1, low: 0.08, high: 0.13 }, 0.25, [0.1]);
  const lies = (name) => {
    const { element } = part(bar, name);
    return ["x", "y", "width", "height", "rx"].map((of) => element.getAttribute(of));
  };
  assert.deepEqual(lies("track"), ["0", "11", "100%", "12", "6"]);
  assert.deepEqual(lies("done"), ["0", "11", "37.74%", "12", "6"]);
  assert.deepEqual(lies("likely"), ["30.19%", "26", "18.87%", "4", null]);
  assert.deepEqual(lies("target"), ["94.34%", "2", "3", "30", null]);
  assert.deepEqual(lies("stop"), ["37.74%", "6", "3", "22", null]);
  const [width, height] = ["width", "height"].map((of) => bar.element.getAttribute(of));
  assert.deepEqual([width, height], ["100%", "34"]);
});
