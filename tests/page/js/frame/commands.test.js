import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { attempt, command } from "../../../../api/page/js/frame/commands.js";
import { followRun } from "../../../../api/page/js/frame/meant_for.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble, problem, promised } from "../doubles/network_double.js";
import { fire, setPage, textOf } from "../doubles/page_double.js";

let clock;
let network;

const kind = () => document.getElementById("answer").getAttribute("data-kind");
const isTold = () => !document.getElementById("answer").hidden;
const tap = (text) => {
  const buttons = document.querySelectorAll("button");
  fire(buttons.find((button) => button.textContent === text), "click");
};

// The dialog for the PIN is built once and kept, so that the page is made once too.
setPage("answer", "answer-text", "assertive", "polite", "trip");
Object.defineProperty(globalThis, "navigator", {
  value: { userAgent: "a phone" }, configurable: true,
});

beforeEach(() => {
  clock = new ClockDouble();
  clock.startMs += 1_000_000;
  network = new NetworkDouble();
  document.getElementById("answer").hidden = true;
});

let number = 0;
/** Return a name that no test used before: the newest command is remembered. */
const anew = () => `command-${(number += 1)}`;

test("a command and its answer", async () => {
  const name = anew();
  network.answer(json({ state: "paused" }));
  assert.deepEqual(await command(name, { on: "purpose" }), { state: "paused" });
  assert.equal(network.newest.path, `/api/${name}?age_s=0`);
  assert.deepEqual(JSON.parse(network.newest.body), { on: "purpose" });
  assert.equal(isTold(), false);
});

test("a double tap sends once", async () => {
  const name = anew();
  const { promise, resolve } = promised();
  network.answer(promise);
  const first = command(name);
  assert.equal(await command(name), null, "under way");
  resolve(json({}));
  assert.deepEqual(await first, {});
  await clock.pass(699);
  assert.equal(await command(name), null, "hardly answered");
  assert.equal(network.asked.length, 1);
  await clock.pass(1);
  network.answer(json({}));
  assert.deepEqual(await command(name), {});
  assert.equal(network.asked.length, 2);
});

test("another command goes at once", async () => {
  network.answer(json({}));
  await command(anew());
  assert.deepEqual(await command(anew()), {});
});

test("a refusal may be repeated", async () => {
  const name = anew();
  network.answer(problem(409, "conflict", "not while it is running"), json({}));
  assert.equal(await command(name), null);
  assert.equal(textOf("answer-text"), "not while it is running");
  assert.equal(kind(), "bad");
  assert.equal(isTold(), true);
  assert.deepEqual(await command(name), {}, "at once");
  assert.equal(isTold(), false, "and the refusal is taken away");
});

test("pairing, then the same again", async () => {
  const unpaired = problem(401, "pairing-needed", "pair first");
  network.answer(unpaired, json({}), json({ state: "paused" }));
  const answer = command(anew());
  await settle();
  assert.notEqual(document.querySelector("dialog[open]"), null);
  assert.equal(isTold(), false);
  fire(document.querySelector("form"), "submit");
  assert.deepEqual(await answer, { state: "paused" });
  assert.equal(network.asked[1].path, "/api/pair");
  assert.equal(network.asked[2].path, network.asked[0].path);
  assert.equal(document.querySelector("dialog[open]"), null);
});

test("an unpaired phone only looks", async () => {
  network.answer(problem(401, "pairing-needed", "pair first"));
  const answer = attempt(() => fetch("/x").then(() => {
    throw Object.assign(new Error("pair first"), { kind: "pairing-needed" });
  }));
  await settle();
  tap("Just look");
  assert.equal(await answer, null);
  assert.match(textOf("answer-text"), /^Not paired/);
  assert.equal(kind(), "bad");
  network.answer(json({}));
  await command(anew());
  assert.equal(isTold(), false, "it makes room for the next command");
});

test("the run and the age go with a command", async () => {
  followRun({ status: { run_id: "run 7" }, isFresh: true });
  const name = anew();
  network.answer(problem(401, "pairing-needed", "pair first"), json({}), json({}));
  const answer = command(name);
  await settle();
  assert.equal(network.newest.path, `/api/${name}?run_id=run%207&age_s=0`.replace("%20", "+"));
  await clock.pass(30_000);
  fire(document.querySelector("form"), "submit");
  await answer;
  assert.match(network.newest.path, /run_id=run\+7&age_s=0$/, "the PIN confirmed it just now");
  network.answer(json({}));
  await command("start", {});
  assert.equal(network.newest.path, "/api/start?age_s=0", "a start has no run yet");
  followRun({ status: null, isFresh: false });
});

test("a refusal for another run is read out", async () => {
  network.answer(problem(409, "other-run", "This command was meant for run 7."));
  assert.equal(await command(anew()), null);
  assert.equal(textOf("answer-text"), "This command was meant for run 7.");
  assert.equal(kind(), "bad");
});
