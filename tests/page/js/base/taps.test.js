import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { ClockDouble } from "../doubles/clock_double.js";
import { ElementDouble, fire, setPage } from "../doubles/page_double.js";

// The module listens on the page from the moment on in which it is loaded: one page for all.
const clock = new ClockDouble();
setPage("box");
const { place } = await import("../../../../api/page/js/base/taps.js");
const box = document.getElementById("box");

let tapped;

function newButton(tag = "button", name = null) {
  const button = new ElementDouble(tag);
  if (name !== null) button.setAttribute("class", name);
  button.addEventListener("click", () => (tapped += 1));
  return button;
}

const waits = (element) =>
  [element.getAttribute("data-waits"), element.getAttribute("aria-disabled")];

beforeEach(async () => {
  tapped = 0;
  await clock.pass(10_000);
});

test("without a tap nothing waits", () => {
  const button = newButton();
  place(box, [button]);
  assert.deepEqual(waits(button), [null, null]);
  fire(button, "click");
  assert.equal(tapped, 1);
});

for (const kind of ["pointerdown", "click", "keydown"]) {
  test(`a new button waits after ${kind}`, async () => {
    fire(document.body, kind);
    const button = newButton();
    place(box, [button]);
    assert.deepEqual(waits(button), ["", "true"]);
    const event = fire(button, "click");
    assert.equal(tapped, 0, "the second tap of a wet glove");
    assert.deepEqual([event.isPrevented, event.isStopped], [true, true]);
    await clock.pass(699);
    assert.deepEqual(waits(button), ["", "true"]);
    await clock.pass(1);
    assert.deepEqual(waits(button), [null, null]);
    fire(button, "click");
    assert.equal(tapped, 1);
  });
}

test("the wait counts from the tap", async () => {
  fire(document.body, "click");
  await clock.pass(500);
  const button = newButton();
  place(box, [button]);
  await clock.pass(199);
  assert.deepEqual(waits(button), ["", "true"]);
  await clock.pass(1);
  assert.deepEqual(waits(button), [null, null]);
});

test("long after a tap nothing waits", async () => {
  fire(document.body, "click");
  await clock.pass(700);
  const button = newButton();
  place(box, [button]);
  assert.deepEqual(waits(button), [null, null]);
});

test("a tap inside a waiting link", () => {
  fire(document.body, "click");
  const link = newButton("a", "button");
  const word = new ElementDouble("span");
  link.append(word);
  const plain = newButton("a");
  place(box, [link, plain]);
  fire(word, "click");
  assert.equal(tapped, 0);
  assert.deepEqual(waits(plain), [null, null], "a link in a text does not wait");
});

test("a tap on no element", () => {
  fire(document, "click");
  assert.equal(tapped, 0);
});

test("children are replaced", () => {
  const [first, second] = [newButton(), newButton()];
  place(box, [first]);
  place(box, [second]);
  assert.deepEqual(box.children, [second]);
});
