import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { LiveLink } from "../../../../api/page/js/base/live.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { promised } from "../doubles/network_double.js";
import { fire, setPage } from "../doubles/page_double.js";

/** A stream whose server the test is: it may send, and it may hang half open. */
class StreamDouble {
  static all = [];

  constructor(address) {
    this.address = address;
    this.isOpen = true;
    this.listeners = {};
    StreamDouble.all.push(this);
  }

  addEventListener(name, listener) {
    this.listeners[name] = listener;
  }

  close() {
    this.isOpen = false;
  }

  status(status) {
    this.onmessage({ data: JSON.stringify(status) });
  }

  beat(heartbeat) {
    this.listeners.heartbeat({ data: JSON.stringify(heartbeat) });
  }
}

const ALIVE = { loop_alive: true };
const newest = () => StreamDouble.all.at(-1);
const open = () => StreamDouble.all.filter(({ isOpen }) => isOpen);

let clock;
let heard;
let fetched;
let link;

/** Put a page up; fetchStatus: what a question without the stream is answered. */
function start(fetchStatus = () => new Promise(() => {})) {
  heard = { statuses: [], beats: 0, troubles: [], looks: [] };
  fetched = 0;
  link = new LiveLink({
    onStatus: (status) => heard.statuses.push(status),
    onHeartbeat: () => (heard.beats += 1),
    onTrouble: (message) => heard.troubles.push(message),
    onLook: (silentMs, isFresh) => heard.looks.push([silentMs, isFresh]),
    fetchStatus: () => {
      fetched += 1;
      return fetchStatus();
    },
  });
  link.start();
}

const hide = (isHidden) => {
  document.hidden = isHidden;
  fire(document, "visibilitychange");
};

beforeEach(() => {
  clock = new ClockDouble();
  setPage();
  StreamDouble.all = [];
  globalThis.EventSource = StreamDouble;
});

test("one stream and one question", () => {
  start();
  assert.equal(open().length, 1);
  assert.equal(newest().address, "/api/events");
  assert.equal(fetched, 1);
  assert.equal(link.silentMs(), null, "nothing was heard yet");
});

test("statuses are passed on", () => {
  start();
  newest().status({ state: "running" });
  assert.deepEqual(heard.statuses, [{ state: "running" }]);
  assert.deepEqual(heard.looks.at(-1), [0, true]);
});

test("old numbers lose their freshness", async () => {
  start();
  newest().status({});
  await clock.pass(3000);
  assert.deepEqual(heard.looks.at(-1), [3000, true]);
  await clock.pass(1);
  link.look();
  assert.deepEqual(heard.looks.at(-1), [3001, false]);
});

test("nothing is fresh at first", async () => {
  start();
  await clock.pass(500);
  assert.deepEqual(heard.looks, [[null, false]]);
});

test("a look twice a second", async () => {
  start();
  await clock.pass(2000);
  assert.equal(heard.looks.length, 4);
});

test("a heartbeat counts", async () => {
  start();
  newest().status({});
  await clock.pass(2900);
  newest().beat(ALIVE);
  assert.equal(heard.beats, 1);
  assert.deepEqual(heard.looks.at(-1), [0, true]);
});

test("a dead loop is trouble", async () => {
  start();
  newest().status({});
  await clock.pass(1000);
  newest().beat({ loop_alive: false, message: "silent for 4.2 s" });
  assert.deepEqual(heard.troubles, ["silent for 4.2 s"]);
  assert.equal(heard.beats, 0);
  assert.deepEqual(heard.looks.at(-1), [1000, true], "its age goes on growing");
});

test("a silent stream is opened again", async () => {
  start();
  newest().status({});
  const first = newest();
  await clock.pass(6000);
  assert.equal(newest(), first, "patience until 6 s");
  await clock.pass(500);
  assert.notEqual(newest(), first);
  assert.equal(first.isOpen, false);
  assert.equal(open().length, 1);
  assert.equal(fetched, 2, "and it asks without the stream too");
});

test("patience counts from the last word", async () => {
  start();
  await clock.pass(100);
  newest().status({});
  await clock.pass(6000);
  link.look();
  assert.equal(StreamDouble.all.length, 1);
  await clock.pass(1);
  link.look();
  assert.equal(StreamDouble.all.length, 2);
});

test("a stream that never spoke is opened again", async () => {
  start();
  await clock.pass(6500);
  assert.equal(StreamDouble.all.length, 2);
  await clock.pass(6000);
  assert.equal(StreamDouble.all.length, 2, "the new one has the same patience");
  await clock.pass(500);
  assert.equal(StreamDouble.all.length, 3);
  await clock.pass(6500 * 10);
  assert.equal(StreamDouble.all.length, 13, "it never gives up");
  assert.equal(open().length, 1);
});

test("a stream that speaks is left alone", async () => {
  start();
  for (let beat = 0; beat < 20; beat += 1) {
    newest().beat(ALIVE);
    await clock.pass(2000);
  }
  assert.equal(StreamDouble.all.length, 1);
  assert.equal(fetched, 1);
});

test("a stream half open comes back", async () => {
  // The network dropped the connection without a word: no error event, no data.
  start();
  newest().status({ state: "running" });
  await clock.pass(6500);
  newest().status({ state: "paused" });
  assert.deepEqual(heard.statuses.map(({ state }) => state), ["running", "paused"]);
  assert.deepEqual(heard.looks.at(-1), [0, true]);
});

test("an overtaken answer is dropped", async () => {
  const { promise, resolve } = promised();
  start(() => promise);
  newest().status({ state: "stopped" });
  resolve({ state: "running" });
  await settle();
  assert.deepEqual(heard.statuses, [{ state: "stopped" }]);
});

test("a heartbeat overtakes an answer", async () => {
  const { promise, resolve } = promised();
  start(() => promise);
  newest().beat(ALIVE);
  resolve({ state: "running" });
  await settle();
  assert.deepEqual(heard.statuses, []);
});

test("an answer in time is taken", async () => {
  start(() => Promise.resolve({ state: "idle" }));
  await settle();
  assert.deepEqual(heard.statuses, [{ state: "idle" }]);
});

test("of two answers the first counts", async () => {
  const [first, second] = [promised(), promised()];
  const answers = [first.promise, second.promise];
  start(() => answers.shift());
  fire(window, "online");
  second.resolve({ state: "stopped" });
  await settle();
  first.resolve({ state: "running" });
  await settle();
  assert.deepEqual(heard.statuses, [{ state: "stopped" }]);
});

test("refusals that a person should know", async () => {
  const refuse = (kind) => () => Promise.reject(Object.assign(new Error("silent loop"), { kind }));
  start(refuse("loop-not-alive"));
  await settle();
  assert.deepEqual(heard.troubles, ["silent loop"]);
  start(refuse("pairing-needed"));
  await settle();
  assert.match(heard.troubles[0], /Pair it on the Rig screen/);
  assert.equal(heard.troubles.length, 1);
  start(refuse(undefined));
  await settle();
  assert.deepEqual(heard.troubles, []);
});

test("unseen, no stream is held", async () => {
  start(() => Promise.resolve({ state: "running" }));
  await settle();
  hide(true);
  await settle();
  assert.equal(open().length, 0);
  assert.equal(fetched, 2);
  await clock.pass(5000);
  assert.equal(fetched, 3, "a look each 5 s");
  assert.deepEqual(heard.looks.at(-1), [0, true]);
  await clock.pass(4900);
  assert.equal(fetched, 3);
  assert.deepEqual(heard.looks.at(-1), [4500, true], "with patience for the gap");
  await clock.pass(20_000);
  assert.equal(open().length, 0, "nor is it opened for its silence");
  hide(false);
  await settle();
  assert.equal(open().length, 1);
  const before = fetched;
  newest().beat(ALIVE);
  await clock.pass(5500);
  assert.equal(fetched, before, "seen, it does not go on looking");
});

test("unseen and unanswered, it gets old", async () => {
  let isThere = true;
  start(() => (isThere ? Promise.resolve({}) : Promise.reject(new Error("gone"))));
  await settle();
  isThere = false;
  hide(true);
  await clock.pass(8000);
  assert.deepEqual(heard.looks.at(-1), [8000, true]);
  await clock.pass(500);
  assert.deepEqual(heard.looks.at(-1), [8500, false]);
});

test("an answer shown after the look", async () => {
  start(() => Promise.resolve({}));
  await settle();
  await clock.pass(100);
  const before = heard.looks.length;
  hide(true);
  await settle();
  assert.ok(heard.looks.length > before, "the title of the tab is brought up to date at once");
});

test("unseen and refused, it looks all the same", async () => {
  start(() => Promise.reject(new Error("gone")));
  await settle();
  const before = heard.looks.length;
  hide(true);
  await settle();
  assert.deepEqual(heard.looks.slice(before), [[null, false]]);
});

test("waking and going", () => {
  start();
  fire(window, "pagehide");
  assert.equal(open().length, 0);
  for (const [count, waking] of ["pageshow", "online"].entries()) {
    fire(window, waking);
    assert.equal(open().length, 1, waking);
    assert.equal(StreamDouble.all.length, 2 + count);
  }
  fire(window, "pagehide");
  fire(window, "pagehide");
  assert.equal(open().length, 0);
});
