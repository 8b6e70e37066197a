import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { GaugeStops } from "../../../../api/page/js/prepare/gauge_stops.js";
import { settle } from "../doubles/clock_double.js";
import { fire, setPage } from "../doubles/page_double.js";

let changes;
let stops;

const button = (text) =>
  stops.element.querySelectorAll("button").find(({ textContent }) => textContent.startsWith(text));
const rows = () => stops.list.querySelectorAll("li").map(({ textContent }) => textContent);
const tap = async (text) => {
  fire(button(text), "click");
  await settle();
};
const type = async (text) => {
  stops.input.value = text;
  await tap("Add at this depth");
};

beforeEach(() => {
  setPage();
  changes = 0;
  stops = new GaugeStops(() => (changes += 1));
});

test("none at first", () => {
  assert.deepEqual(stops.read(), []);
  assert.deepEqual(rows(), ["None"]);
  assert.equal(button("").hidden, false);
  assert.equal(stops.offered.hidden, true);
  assert.equal(changes, 0);
});

test("typed stops are sorted", async () => {
  await type("0,2");
  await type("0.1");
  await type("0.15");
  assert.deepEqual(stops.read(), [0.1, 0.15, 0.2]);
  assert.deepEqual(rows(), ["0.10 mm \u00d7", "0.15 mm \u00d7", "0.20 mm \u00d7"]);
  assert.equal(changes, 3);
  assert.equal(stops.input.value, "");
});

test("only a depth is taken", async () => {
  for (const text of ["", "deep", "0", "-0.1"]) {
    await type(text);
    assert.equal(stops.note.element.textContent, "Type a depth in mm first.");
    assert.equal(stops.input.value, text, "what was typed stays");
  }
  assert.deepEqual([stops.read(), changes], [[], 0]);
  await type("0.1");
  assert.match(stops.note.element.textContent, /^The run pauses there/);
});

test("the same stop counts once", async () => {
  await type("0.1");
  await type("0.10001");
  assert.deepEqual([stops.read(), changes], [[0.1], 1]);
  await type("0.1001");
  assert.deepEqual([stops.read(), changes], [[0.1, 0.1001], 2]);
});

test("ten stops and no more", async () => {
  for (let count = 1; count <= 11; count += 1) await type(String(count / 100));
  assert.equal(stops.read().length, 10);
  assert.equal(changes, 10);
});

test("a tap removes a stop", async () => {
  stops.write([0.2, 0.1]);
  assert.equal(changes, 0, "writing is no change by a person");
  assert.equal(button("0.10").getAttribute("aria-label"), "Remove the gauge stop at 0.10 mm");
  await tap("0.10");
  assert.deepEqual([stops.read(), changes], [[0.2], 1]);
  assert.equal(document.activeElement, stops.input);
  await tap("0.20");
  assert.deepEqual(rows(), ["None"]);
});

test("what is written stays as it was", () => {
  const given = [0.2, 0.1];
  stops.write(given);
  assert.deepEqual(given, [0.2, 0.1]);
});

test("the suggested stop", async () => {
  stops.offer([0.0625, 0.2]);
  assert.equal(stops.offered.hidden, false);
  assert.equal(stops.offered.textContent, "Add the suggested stop at 0.06 mm");
  await tap("Add the suggested");
  assert.deepEqual([stops.read(), changes], [[0.0625], 1]);
  stops.offer([]);
  assert.equal(stops.offered.hidden, true);
});
