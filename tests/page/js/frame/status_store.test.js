import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { Bench } from "../../../../api/page/js/frame/status_store.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble, promised, UNREACHABLE } from "../doubles/network_double.js";

const STATUS = { state: "running", reason: null, run_id: "r1", run_in_logbook: true };

let clock;
let network;
let bench;
let told;

beforeEach(() => {
  clock = new ClockDouble();
  network = new NetworkDouble();
  network.answer(json({ plan: 1 }));
  bench = new Bench();
  told = [];
  for (const what of ["status", "freshness", "papers", "state", "plate"]) {
    bench.on(what, (...news) => told.push([what, ...news]));
  }
});

const count = (what) => told.filter(([name]) => name === what).length;

test("status, then the state", () => {
  const idle = { ...STATUS, state: "idle", run_id: null };
  bench.take(idle);
  assert.deepEqual(told, [["papers", null], ["status", idle], ["state", idle, null]]);
  told.length = 0;
  bench.take(idle);
  assert.deepEqual(told, [["status", idle]]);
});

test("a change of state, reason or run", () => {
  bench.take(STATUS);
  for (const change of [{ state: "paused" }, { reason: "lost_contact" }, { run_id: "r2" }]) {
    const [before, next] = [bench.status, { ...bench.status, ...change }];
    told.length = 0;
    bench.take(next);
    assert.deepEqual(told.filter(([what]) => what === "state"), [["state", next, before]]);
  }
});

test("listening ends", () => {
  let heard = 0;
  const stop = bench.on("status", () => (heard += 1));
  bench.take(STATUS);
  stop();
  bench.take(STATUS);
  assert.equal(heard, 1);
});

test("trouble is not fresh", () => {
  bench.look(100, true);
  assert.deepEqual([bench.isFresh, bench.silentMs], [true, 100]);
  bench.hearTrouble("silent");
  bench.look(200, true);
  assert.equal(bench.isFresh, false);
  assert.deepEqual(told.at(-1), ["freshness", false, 200]);
  bench.hearNoNews();
  bench.look(300, true);
  assert.equal(bench.isFresh, true);
  bench.look(9000, false);
  assert.equal(bench.isFresh, false);
  bench.hearTrouble("silent");
  bench.take(STATUS);
  assert.equal(bench.trouble, null);
});

test("papers when the logbook has them", async () => {
  bench.take({ ...STATUS, run_in_logbook: false });
  await settle();
  assert.equal(network.asked.length, 0);
  bench.take(STATUS);
  await settle();
  assert.equal(network.newest.path, "/api/runs/r1");
  assert.deepEqual(bench.papers, { plan: 1 });
  assert.deepEqual(told.at(-1), ["papers", { plan: 1 }]);
  bench.take(STATUS);
  await settle();
  assert.equal(network.asked.length, 1);
  await bench.refresh();
  assert.equal(network.asked.length, 2);
});

test("no run, no papers", async () => {
  bench.take(STATUS);
  await settle();
  bench.take({ ...STATUS, run_id: null });
  await settle();
  assert.equal(bench.papers, null);
  assert.deepEqual(told.filter(([what]) => what === "papers").at(-1), ["papers", null]);
  assert.equal(network.asked.length, 1);
});

test("papers of an older run are dropped", async () => {
  const { promise, resolve } = promised();
  network.answer(promise, json({ plan: 2 }));
  bench.take(STATUS);
  bench.take({ ...STATUS, run_id: "r2" });
  await settle();
  resolve(json({ plan: 1 }));
  await settle();
  assert.deepEqual(bench.papers, { plan: 2 });
});

test("papers are asked for again", async () => {
  network.answer(UNREACHABLE, json({ plan: 1 }));
  bench.take(STATUS);
  await clock.pass(1400);
  assert.equal(network.asked.length, 1);
  await clock.pass(100);
  assert.deepEqual(bench.papers, { plan: 1 });
  await clock.pass(10_000);
  assert.equal(network.asked.length, 2);
});

test("nor for a run that is gone", async () => {
  network.answer(UNREACHABLE);
  bench.take(STATUS);
  await settle();
  bench.take({ ...STATUS, run_id: null });
  await clock.pass(10_000);
  assert.equal(network.asked.length, 1);
});

test("where the plate is", () => {
  assert.equal(bench.plateIs(), "out");
  bench.take({ ...STATUS, state: "paused", in_bath_without_current: true });
  assert.deepEqual([bench.plateIs(), bench.asksForPlate()], ["in", true]);
  bench.sayLeftIn();
  assert.equal(bench.asksForPlate(), false);
  assert.equal(count("plate"), 1);
  bench.take({ ...STATUS, state: "stopped", in_bath_without_current: true });
  assert.equal(bench.asksForPlate(), true, "asked again when something changes");
  bench.take({ ...STATUS, state: "stopped", in_bath_without_current: false });
  assert.deepEqual([bench.plateIs(), bench.asksForPlate()], ["out", false]);
});

test("papers are not doubled meanwhile", async () => {
  network.answer(UNREACHABLE, json({ plan: 1 }));
  bench.take(STATUS);
  await settle();
  await bench.refresh();
  await clock.pass(5000);
  assert.equal(network.asked.length, 2);
});

test("without a status nothing is fetched", async () => {
  await bench.refresh();
  assert.equal(network.asked.length, 0);
});
