import assert from "node:assert/strict";
import { beforeEach, mock, test } from "node:test";

import { cautionsPart } from "../../../../api/page/js/prepare/cautions.js";
import { fire, setPage } from "../doubles/page_double.js";

let items;
let part;

const list = () => part.element.querySelectorAll("div")[0];
const open = () => part.element.querySelectorAll("button")[0];
const box = () => part.tick.querySelectorAll("input")[0];
const on = (day) => {
  mock.timers.reset();
  mock.timers.enable({ apis: ["Date"], now: new Date(2031, 2, day, 9).getTime() });
};

beforeEach(() => {
  setPage();
  items = {};
  globalThis.localStorage = {
    getItem: (name) => items[name] ?? null, setItem: (name, value) => (items[name] = value),
  };
  on(4);
  part = cautionsPart(() => {});
});

test("in full at first", () => {
  part.enter();
  assert.equal(list().hidden, false);
  assert.equal(open().hidden, true);
  assert.match(part.tick.textContent, /^I have read the cautions/);
  part.enter();
  assert.equal(list().hidden, false, "opening the screen is not reading");
});

test("once a day", () => {
  part.enter();
  box().checked = true;
  assert.equal(part.isTicked(), true);
  part.confirm();
  assert.equal(part.isTicked(), false, "each start is confirmed anew");
  part.enter();
  assert.equal(list().hidden, true);
  assert.match(part.tick.textContent, /^The extraction is on/);
  on(5);
  part.enter();
  assert.equal(list().hidden, false, "the next day");
});

test("they can be read again", () => {
  part.confirm();
  part.enter();
  assert.equal(open().getAttribute("aria-expanded"), "false");
  fire(open(), "click");
  assert.equal(list().hidden, false);
  assert.equal(open().getAttribute("aria-expanded"), "true");
  fire(open(), "click");
  assert.equal(list().hidden, true);
});

test("a browser that keeps nothing shows them each time", () => {
  globalThis.localStorage = null;
  part.confirm();
  part.enter();
  assert.equal(list().hidden, false);
});
