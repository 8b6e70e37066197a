import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { CALLS, callOf, Sounder, TwoMinutes } from "../../../../api/page/js/base/sound.js";
import { StatusStore } from "../../../../api/page/js/frame/status_store.js";
import { ClockDouble } from "../doubles/clock_double.js";
import { json, NetworkDouble } from "../doubles/network_double.js";
import { fire, setPage, textOf } from "../doubles/page_double.js";

const STATUS = {
  state: "running", reason: null, finding: null, relay_welded: false, run_id: "r1",
  run_in_logbook: false, gauge_stop_mm: null, remaining_s: 600,
};

/** Counts beeps: [pitch in Hz, start in s, length in s]. */
class AudioDouble {
  static beeps = [];

  constructor() {
    this.state = "suspended";
    this.currentTime = 10;
    this.destination = {};
  }

  resume() {
    this.state = "running";
  }

  createGain() {
    return {
      gain: { setValueAtTime() {}, linearRampToValueAtTime() {} },
      connect: (to) => to,
    };
  }

  createOscillator() {
    const own = { frequency: { value: 0 }, connect: (to) => to };
    own.start = (at_s) => (own.at_s = at_s);
    own.stop = (at_s) => AudioDouble.beeps.push([own.frequency.value, own.at_s, at_s - own.at_s]);
    return own;
  }
}

let clock;
let store;
let kept;
let shaken;
let news;

const beeps = () => AudioDouble.beeps.length;
const take = (changes) => store.take({ ...STATUS, ...changes });
const touch = () => fire(document.body, "pointerdown");
const shape = () => {
  for (const id of ["sound-shape"]) document.getElementById(id).append(document.createElement("p"));
};

/** Make the page and its sounder, as a phone that was touched long ago. */
function start({ isTouched = true } = {}) {
  setPage("sound", "sound-word", "sound-shape");
  shape();
  globalThis.AudioContext = AudioDouble;
  window.AudioContext = AudioDouble;
  AudioDouble.beeps = [];
  news = 0;
  store = new StatusStore();
  const sounder = new Sounder(store, () => (news += 1));
  if (isTouched) {
    touch();
    clock.startMs += 60_000;
  }
  return sounder;
}

beforeEach(() => {
  clock = new ClockDouble();
  new NetworkDouble().answer(json({}));
  kept = {};
  globalThis.localStorage = {
    getItem: (name) => kept[name] ?? null, setItem: (name, value) => (kept[name] = value),
  };
  shaken = [];
  Object.defineProperty(globalThis, "navigator", {
    value: { vibrate: (pattern) => shaken.push(pattern) }, configurable: true,
  });
});

const LOST = { reason: "lost_contact" };

test("each state has its call", () => {
  const call = (changes) => callOf({ ...STATUS, ...changes });
  for (const state of ["idle", "checking", "running", "stopped"]) {
    assert.equal(call({ state }), null);
  }
  assert.equal(call({ state: "paused", finding: LOST }), "come");
  assert.equal(call({ state: "paused", finding: LOST, gauge_stop_mm: 0.1 }), "come");
  assert.equal(call({ state: "paused", gauge_stop_mm: 0.1 }), "lift_now");
  assert.equal(call({ state: "paused" }), "come");
  assert.equal(call({ state: "finished" }), "lift_now");
  assert.equal(call({ state: "interrupted" }), "come");
  assert.equal(call({ state: "tripped" }), "alarm");
  assert.equal(call({ state: "idle", relay_welded: true }), "alarm");
});

test("the rhythms differ", () => {
  const rhythms = Object.values(CALLS).map(({ beeps: all }) => all.map(([, s]) => s > 0.5).join());
  assert.equal(new Set(rhythms).size, rhythms.length);
  assert.equal(rhythms[0], "false,false,false");
  assert.equal(rhythms[1], "true,true");
  assert.equal(rhythms[2], "true,false,false");
});

test("it sounds until touched", async () => {
  start();
  take({});
  take({ state: "finished" });
  assert.equal(beeps(), 2);
  await clock.pass(6000);
  assert.equal(beeps(), 4);
  touch();
  await clock.pass(60_000);
  assert.equal(beeps(), 4);
});

test("an alarm goes on", async () => {
  start();
  take({});
  take({ state: "tripped" });
  touch();
  await clock.pass(2000);
  assert.equal(beeps(), 8);
  take({ state: "paused", reason: null });
  await clock.pass(2000);
  assert.equal(beeps(), 8, "acknowledged by this phone");
});

test("beeps do not overlap", () => {
  start().play("two_minutes_left");
  const [first, second, third] = AudioDouble.beeps;
  assert.ok(first[2] > 0.5 && second[2] < 0.5 && third[2] < 0.5);
  assert.ok(second[1] > first[1] + first[2]);
  assert.ok(third[1] > second[1] + second[2]);
});

test("two minutes once", () => {
  start();
  take({ remaining_s: 121 });
  take({ remaining_s: 120 });
  take({ remaining_s: 60 });
  assert.deepEqual([beeps(), news], [3, 1]);
});

test("two minutes as the controller", () => {
  const calls = (...left) => {
    const watch = new TwoMinutes();
    return left.map((remaining_s) => watch.hasCome({ ...STATUS, remaining_s }));
  };
  assert.deepEqual(calls(300, 119, 130, 119), [false, true, false, false]);
  assert.deepEqual(calls(300, null, 119), [false, false, true]);
  assert.deepEqual(calls(100, 90), [false, false], "first seen late");
});

test("muted it shakes", () => {
  const sounder = start();
  fire(document.getElementById("sound"), "click");
  assert.equal(kept["biteclock-sound"], "muted");
  assert.equal(textOf("sound-word"), "Sound off");
  assert.equal(sounder.play("come"), false);
  assert.equal(beeps(), 0);
  assert.deepEqual(shaken.at(-1), [200, 150, 200, 150, 200, 150]);
  assert.equal(start().isMuted, true, "the next visit remembers");
});

test("untouched it is silent", () => {
  const sounder = start({ isTouched: false });
  assert.equal(sounder.play("come"), false);
  assert.deepEqual(shaken, []);
  touch();
  assert.equal(sounder.play("come"), true);
  assert.equal(shaken.length, 1);
});

test("without vibration", () => {
  Object.defineProperty(globalThis, "navigator", { value: {}, configurable: true });
  assert.equal(start().play("come"), true);
});
