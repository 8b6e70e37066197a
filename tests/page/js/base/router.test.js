import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { Router } from "../../../../api/page/js/base/router.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { promised } from "../doubles/network_double.js";
import { ElementDouble, fire, setPage } from "../doubles/page_double.js";

let clock;
let built;
let calls;
let arrival;
let router;

const go = (hash) => {
  location.hash = hash;
  fire(window, "hashchange");
};
const shown = () =>
  document.getElementById("screens").children.filter(({ hidden }) => !hidden).map(({ id }) => id);
const isWaiting = (name) => document.getElementById(name).getAttribute("data-waiting") !== null;
const present = () => document.querySelectorAll("a").map((a) => a.getAttribute("aria-current"));

beforeEach(() => {
  clock = new ClockDouble();
  setPage("screens", "trip");
  const nav = new ElementDouble("nav");
  for (const names of ["now", "runs run", "sheet"]) {
    const link = new ElementDouble("a");
    link.dataset.screens = names;
    nav.append(link);
  }
  document.body.append(nav);
  [built, calls, arrival] = [[], [], undefined];
  const builder = (name) => () => {
    built.push(name);
    const element = new ElementDouble("div");
    element.id = name;
    element.append(new ElementDouble("h1"));
    return {
      element,
      enter: (parts) => {
        calls.push(["enter", name, ...parts]);
        return arrival;
      },
      leave: () => calls.push(["leave", name]),
    };
  };
  const bare = () => {
    const { element } = builder("sheet")();
    return { element };
  };
  router = new Router({ now: builder("now"), run: builder("run"), sheet: bare }, "now");
});

test("home at first", () => {
  router.start();
  assert.deepEqual(shown(), ["now"]);
  assert.equal(document.body.dataset.screen, "now");
  assert.deepEqual(calls, [["enter", "now"]]);
  assert.equal(document.activeElement, document.body, "nobody went anywhere: the focus stays");
});

test("one screen at a time", () => {
  router.start();
  go("#run/a%20b/2");
  assert.deepEqual(shown(), ["run"]);
  assert.equal(document.body.dataset.screen, "run");
  assert.deepEqual(calls, [["enter", "now"], ["leave", "now"], ["enter", "run", "a b", "2"]]);
  go("#now");
  assert.deepEqual(shown(), ["now"]);
});

test("a screen is built once", () => {
  router.start();
  for (const hash of ["#run/1", "#now", "#run/2", "#now"]) go(hash);
  assert.deepEqual(built, ["now", "run"]);
  assert.equal(document.getElementById("screens").children.length, 2);
});

test("the same screen again", () => {
  router.start();
  go("#run/1");
  go("#run/2");
  const [first, left, second] = calls.slice(2);
  assert.deepEqual([first, left], [["enter", "run", "1"], ["leave", "run"]]);
  assert.deepEqual(second, ["enter", "run", "2"]);
  assert.deepEqual(shown(), ["run"]);
});

test("unknown names lead home", () => {
  for (const hash of ["#nowhere", "#constructor", "#toString", "", "#"]) {
    location.hash = hash;
    router.start();
    assert.equal(document.body.dataset.screen, "now", hash);
  }
});

test("a spoilt part stays as it is", () => {
  location.hash = "#run/%E0%A4%A";
  router.start();
  assert.deepEqual(calls, [["enter", "run", "%E0%A4%A"]]);
});

test("the focus follows a person", () => {
  router.start();
  go("#run/1");
  const heading = document.getElementById("run").querySelector("h1");
  assert.equal(document.activeElement, heading);
  assert.equal(heading.tabIndex, -1);
  assert.deepEqual(window.scrolledTo, [0, 0]);
});

test("going away closes a sheet", () => {
  router.start();
  const dialog = new ElementDouble("dialog");
  let cancelled = 0;
  dialog.addEventListener("cancel", () => (cancelled += 1));
  dialog.show();
  document.body.append(dialog);
  go("#run/1");
  assert.equal(cancelled, 1);
});

test("the tab of the screen", () => {
  router.start();
  assert.deepEqual(present(), ["page", null, null]);
  go("#run/1");
  assert.deepEqual(present(), [null, "page", null]);
});

test("a screen needs only an element", async () => {
  router.start();
  go("#sheet");
  assert.deepEqual(shown(), ["sheet"]);
  assert.equal(isWaiting("sheet"), false, "not even for a moment");
  await settle();
  assert.equal(isWaiting("sheet"), false);
  go("#now");
  assert.deepEqual(shown(), ["now"]);
});

test("a screen appears whole", async () => {
  const { promise, resolve } = promised();
  arrival = promise;
  router.start();
  assert.equal(isWaiting("now"), true);
  await clock.pass(2499);
  assert.equal(isWaiting("now"), true);
  resolve();
  await settle();
  assert.equal(isWaiting("now"), false);
});

test("patience has an end", async () => {
  arrival = new Promise(() => {});
  router.start();
  await clock.pass(2500);
  assert.equal(isWaiting("now"), false);
});

test("a failure shows what is there", async () => {
  arrival = Promise.reject(new Error("gone"));
  router.start();
  await settle();
  assert.equal(isWaiting("now"), false);
});

test("only the newest arrival counts", async () => {
  const [first, second] = [promised(), promised()];
  arrival = first.promise;
  location.hash = "#run/1";
  router.start();
  arrival = second.promise;
  go("#run/2");
  first.resolve();
  await settle();
  assert.equal(isWaiting("run"), true);
  second.resolve();
  await settle();
  assert.equal(isWaiting("run"), false);
});

test("a screen that was left waits no more", async () => {
  const { promise, resolve } = promised();
  arrival = promise;
  router.start();
  arrival = undefined;
  go("#run/1");
  resolve();
  await settle();
  assert.equal(isWaiting("now"), false);
});

test("a screen that comes later", async () => {
  const element = new ElementDouble("div");
  element.id = "later";
  element.append(new ElementDouble("h1"));
  const module = promised();
  router.builders.later = () => module.promise;
  router.start();
  go("#later/a");
  assert.deepEqual(shown(), ["now"], "the present screen stays until the other is there");
  module.resolve({ element, enter: (parts) => calls.push(["enter", "later", ...parts]) });
  await settle();
  assert.deepEqual(shown(), ["later"]);
  assert.deepEqual(calls.at(-1), ["enter", "later", "a"]);
  go("#now");
  go("#later");
  assert.deepEqual(shown(), ["later"], "it is built once and kept");
});

test("gone elsewhere before it came", async () => {
  const element = new ElementDouble("div");
  element.id = "later";
  element.append(new ElementDouble("h1"));
  const module = promised();
  router.builders.later = () => module.promise;
  router.start();
  go("#later");
  go("#run");
  module.resolve({ element });
  await settle();
  assert.deepEqual(shown(), ["run"]);
});

test("a screen that cannot be loaded", async () => {
  let attempts = 0;
  const element = new ElementDouble("div");
  element.id = "later";
  element.append(new ElementDouble("h1"));
  router.builders.later = async () => {
    attempts += 1;
    if (attempts === 1) throw new TypeError("no network");
    return { element };
  };
  router.start();
  go("#later");
  await settle();
  const [missing] = document.getElementById("screens").children.filter(({ hidden }) => !hidden);
  assert.equal(missing.children[0].textContent, "This screen could not be loaded");
  fire(missing.children[2], "click");
  await settle();
  assert.deepEqual(shown(), ["later"]);
  assert.equal(attempts, 2);
});

test("prepared screens wait for nobody", async () => {
  let attempts = 0;
  router.builders.later = async () => {
    attempts += 1;
    throw new TypeError("no network");
  };
  router.start();
  router.prepare(["later"]);
  await settle();
  assert.deepEqual(shown(), ["now"]);
  assert.equal(attempts, 1);
});
