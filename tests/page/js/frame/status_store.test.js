import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { StatusStore } from "../../../../api/page/js/frame/status_store.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble, promised, UNREACHABLE } from "../doubles/network_double.js";

const STATUS = { state: "running", reason: null, run_id: "r1", run_in_logbook: true };

let clock;
let network;
let store;
let told;

beforeEach(() => {
  clock = new ClockDouble();
  network = new NetworkDouble();
  network.answer(json({ plan: 1 }));
  store = new StatusStore();
  told = [];
  for (const what of ["status", "freshness", "record", "state", "plate"]) {
    store.on(what, (...news) => told.push([what, ...news]));
  }
});

const count = (what) => told.filter(([name]) => name === what).length;

test("status, then the state", () => {
  const idle = { ...STATUS, state: "idle", run_id: null };
  store.take(idle);
  assert.deepEqual(told, [["record", null], ["status", idle], ["state", idle, null]]);
  told.length = 0;
  store.take(idle);
  assert.deepEqual(told, [["status", idle]]);
});

test("a change of state, reason or run", () => {
  store.take(STATUS);
  for (const change of [{ state: "paused" }, { reason: "lost_contact" }, { run_id: "r2" }]) {
    const [before, next] = [store.status, { ...store.status, ...change }];
    told.length = 0;
    store.take(next);
    assert.deepEqual(told.filter(([what]) => what === "state"), [["state", next, before]]);
  }
});

test("listening ends", () => {
  let heard = 0;
  const stop = store.on("status", () => (heard += 1));
  store.take(STATUS);
  stop();
  store.take(STATUS);
  assert.equal(heard, 1);
});

test("trouble is not fresh", () => {
  store.look(100, true);
  assert.deepEqual([store.isFresh, store.silentMs], [true, 100]);
  store.noteTrouble("silent");
  store.look(200, true);
  assert.equal(store.isFresh, false);
  assert.deepEqual(told.at(-1), ["freshness", false, 200]);
  store.noteHeartbeat();
  store.look(300, true);
  assert.equal(store.isFresh, true);
  store.look(9000, false);
  assert.equal(store.isFresh, false);
  store.noteTrouble("silent");
  store.take(STATUS);
  assert.equal(store.trouble, null);
});

test("record when the logbook has them", async () => {
  store.take({ ...STATUS, run_in_logbook: false });
  await settle();
  assert.equal(network.asked.length, 0);
  store.take(STATUS);
  await settle();
  assert.equal(network.newest.path, "/api/runs/r1");
  assert.deepEqual(store.record, { plan: 1 });
  assert.deepEqual(told.at(-1), ["record", { plan: 1 }]);
  store.take(STATUS);
  await settle();
  assert.equal(network.asked.length, 1);
  await store.refresh();
  assert.equal(network.asked.length, 2);
});

test("no run, no record", async () => {
  store.take(STATUS);
  await settle();
  store.take({ ...STATUS, run_id: null });
  await settle();
  assert.equal(store.record, null);
  assert.deepEqual(told.filter(([what]) => what === "record").at(-1), ["record", null]);
  assert.equal(network.asked.length, 1);
});

test("record of an older run are dropped", async () => {
  const { promise, resolve } = promised();
  network.answer(promise, json({ plan: 2 }));
  store.take(STATUS);
  store.take({ ...STATUS, run_id: "r2" });
  await settle();
  resolve(json({ plan: 1 }));
  await settle();
  assert.deepEqual(store.record, { plan: 2 });
});

test("record are asked for again", async () => {
  network.answer(UNREACHABLE, json({ plan: 1 }));
  store.take(STATUS);
  await clock.pass(1400);
  assert.equal(network.asked.length, 1);
  await clock.pass(100);
  assert.deepEqual(store.record, { plan: 1 });
  await clock.pass(10_000);
  assert.equal(network.asked.length, 2);
});

test("nor for a run that is gone", async () => {
  network.answer(UNREACHABLE);
  store.take(STATUS);
  await settle();
  store.take({ ...STATUS, run_id: null });
  await clock.pass(10_000);
  assert.equal(network.asked.length, 1);
});

test("where the plate is", () => {
  assert.equal(store.plateIs(), "out");
  store.take({ ...STATUS, state: "paused", in_bath_without_current: true });
  assert.deepEqual([store.plateIs(), store.asksForPlate()], ["in", true]);
  store.noteLeftIn();
  assert.equal(store.asksForPlate(), false);
  assert.equal(count("plate"), 1);
  store.take({ ...STATUS, state: "stopped", in_bath_without_current: true });
  assert.equal(store.asksForPlate(), true, "asked again when something changes");
  store.take({ ...STATUS, state: "stopped", in_bath_without_current: false });
  assert.deepEqual([store.plateIs(), store.asksForPlate()], ["out", false]);
});

test("record are not doubled meanwhile", async () => {
  network.answer(UNREACHABLE, json({ plan: 1 }));
  store.take(STATUS);
  await settle();
  await store.refresh();
  await clock.pass(5000);
  assert.equal(network.asked.length, 2);
});

test("without a status nothing is fetched", async () => {
  await store.refresh();
  assert.equal(network.asked.length, 0);
});
