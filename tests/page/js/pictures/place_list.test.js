import assert from "node:assert/strict";
import { test } from "node:test";

import { depthAndRange, metalLeft, PlaceList } from "../../../../api/page/js/pictures/place_list.js";
import { setPage } from "../doubles/page_double.js";

const MIDDLE = {
  name: "widest-floor-middle", title: "middle of the widest floor",
  depth_mm: 0.2496, depth_low_mm: 0.2213, depth_high_mm: 0.2871,
};
const LINES = {
  name: "lines-0.3-to-1-mm", title: "lines of 0.3 to 1 mm",
  depth_mm: 0.31, depth_low_mm: 0.26, depth_high_mm: 0.42,
};

test("a depth as a gauge reads it", () => {
  assert.equal(depthAndRange(MIDDLE), "0.25 (0.22 to 0.29) mm");
});

test("metal left is never negative", () => {
  assert.equal(metalLeft(0.7849), "0.78\u00a0mm");
  assert.equal(metalLeft(-0.2), "0.00\u00a0mm");
  assert.equal(metalLeft(null), null);
});

test("places and metal left", () => {
  setPage();
  const list = new PlaceList();
  list.show([MIDDLE, LINES], 0.78);
  assert.match(list.element.textContent, /middle of the widest floor0\.25 \(0\.22 to 0\.29\) mm/);
  assert.match(list.element.textContent, /lines of 0\.3 to 1 mm0\.31/);
  assert.match(list.element.textContent, /Metal left, worst case0\.78\smm/);
  list.show([MIDDLE, LINES], 0.78, "widest-floor-middle");
  assert.doesNotMatch(list.element.textContent, /middle of the widest floor/);
});

test("nothing without places", () => {
  setPage();
  const list = new PlaceList({ isFolded: true });
  list.show([], null);
  assert.equal(list.element.hidden, true);
  list.show([MIDDLE], null);
  assert.equal(list.element.hidden, false);
  assert.doesNotMatch(list.element.textContent, /Thinnest/);
});
