import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import {
  button, byId, h, mark, pairs, put, show, single, svg, uniqueId,
} from "../../../../api/page/js/base/dom.js";
import { settle } from "../doubles/clock_double.js";
import { promised } from "../doubles/network_double.js";
import { fire, setPage } from "../doubles/page_double.js";

beforeEach(() => setPage("mine"));

test("attributes as they are meant", () => {
  let heard = 0;
  const attributes = {
    class: "big", hidden: true, title: null, lang: undefined, dir: false, tabindex: 0,
    value: "5", checked: true, onclick: () => (heard += 1),
  };
  const element = h("input", attributes);
  assert.equal(element.tag, "input");
  assert.deepEqual([...element.attributes], [["class", "big"], ["hidden", ""], ["tabindex", "0"]]);
  assert.deepEqual([element.value, element.checked], ["5", true]);
  fire(element, "click");
  assert.equal(heard, 1);
});

test("children without the empty ones", () => {
  const element = h("p", {}, "a", [h("b", {}, "c"), null], undefined, false, "0");
  assert.equal(element.textContent, "ac0");
  assert.equal(element.children.length, 3);
});

test("SVG has its own name space", () => {
  const asked = [];
  document.createElementNS = (space, tag) => {
    asked.push([space, tag]);
    return document.createElement(tag);
  };
  svg("path", { d: "M0 0" });
  assert.deepEqual(asked, [["http://www.w3.org/2000/svg", "path"]]);
});

/** Return what writes to an element, while it is touched. */
function written(element, name, action) {
  let count = 0;
  const real = element[name];
  element[name] = (...words) => {
    count += 1;
    return real.apply(element, words);
  };
  action();
  return count;
}

test("nothing changes without need", () => {
  const element = h("p", { class: "a" });
  assert.equal(written(element, "setAttribute", () => mark(element, "class", "a")), 0);
  assert.equal(written(element, "setAttribute", () => mark(element, "class", "b")), 1);
  assert.equal(written(element, "removeAttribute", () => mark(element, "title", null)), 0);
  assert.equal(written(element, "removeAttribute", () => mark(element, "class", false)), 1);
  put(element, "x");
  assert.equal(written(element, "replaceChildren", () => put(element, "x")), 0);
  assert.equal(written(element, "replaceChildren", () => put(element, "y")), 1);
  assert.equal(element.textContent, "y");
});

test("shown and hidden", () => {
  const element = byId("mine");
  show(element, false);
  assert.equal(element.hidden, true);
  show(element, false);
  assert.equal(element.hidden, true);
  show(element, true);
  assert.equal(element.hidden, false);
});

test("once at a time", async () => {
  const { promise, resolve } = promised();
  let done = 0;
  const action = single(async () => {
    done += 1;
    await promise;
  });
  let prevented = 0;
  const event = { preventDefault: () => (prevented += 1) };
  action(event);
  action(event);
  assert.deepEqual([done, prevented], [1, 2]);
  resolve();
  await settle();
  action();
  assert.equal(done, 2);
});

test("a failure does not lock a button", async () => {
  let done = 0;
  const action = single(async () => {
    done += 1;
    throw new Error("refused");
  });
  await assert.rejects(action(), { message: "refused" });
  await assert.rejects(action(), { message: "refused" });
  assert.equal(done, 2);
});

test("a button is a button", async () => {
  let done = 0;
  const element = button("Pause", () => (done += 1), { class: "wide" });
  assert.equal(element.getAttribute("type"), "button");
  assert.equal(element.getAttribute("class"), "wide");
  assert.equal(element.textContent, "Pause");
  fire(element, "click");
  await settle();
  assert.equal(done, 1);
});

test("pairs without the empty ones", () => {
  const list = pairs([["a", 1], ["b", null], ["c", undefined], ["d", ""], ["e", 0]], { id: "x" });
  assert.equal(list.tag, "dl");
  assert.equal(list.id, "x");
  assert.deepEqual(list.children.map(({ textContent }) => textContent), ["a1", "e0"]);
  assert.equal(list.querySelectorAll("dt").length, 2);
});

test("ids are never the same", () => {
  assert.notEqual(uniqueId("a"), uniqueId("a"));
  assert.match(uniqueId("note"), /^note-\d+$/);
});
