import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import {
  armStop, clearAnswer, clearFailure, showAnswer, showNews, stop,
} from "../../../../api/page/js/frame/stop.js";
import { followRun } from "../../../../api/page/js/frame/meant_for.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import {
  json, NetworkDouble, problem, promised, SILENCE, UNREACHABLE,
} from "../doubles/network_double.js";
import { fire, setPage, textOf } from "../doubles/page_double.js";

const OFF = { relay_on: false, message: "The relay is off. Stop was pressed." };

let clock;
let network;

const answer = () => {
  const box = document.getElementById("answer");
  return { text: textOf("answer-text"), kind: box.getAttribute("data-kind"), isShown: !box.hidden };
};

const assertNoSuccess = () => {
  assert.notEqual(answer().kind, "good");
  assert.doesNotMatch(answer().text, /is off/);
};

beforeEach(() => {
  clock = new ClockDouble();
  network = new NetworkDouble();
  setPage("stop-form", "answer", "answer-text", "answer-close", "polite", "assertive");
  document.getElementById("answer").hidden = true;
});

test("off is shown as off", async () => {
  network.answer(json(OFF));
  stop();
  assert.deepEqual(answer(), { text: "Stopping\u2026", kind: "busy", isShown: true });
  assert.equal(textOf("assertive"), "", "said when it is known");
  await settle();
  assert.deepEqual(answer(), { text: OFF.message, kind: "good", isShown: true });
  assert.equal(textOf("assertive"), OFF.message);
  assert.equal(network.asked.length, 1);
  assert.equal(network.newest.path, "/api/stop?age_s=0");
  assert.equal(network.newest.method, "POST");
  assert.equal(network.newest.cache, "no-store");
  await clock.pass(7999);
  assert.equal(answer().isShown, true);
  await clock.pass(1);
  assert.equal(answer().isShown, false);
});

test("on is never shown as off", async () => {
  for (const said of [true, null, undefined]) {
    network.answer(json({ relay_on: said, message: "The relay output still reads on." }));
    await stop();
    assert.equal(answer().kind, "bad", String(said));
    await clock.pass(60_000);
    assert.equal(answer().isShown, true, "it stays until it is seen");
  }
});

test("a refusal is no success", async () => {
  for (const refusal of [
    problem(500, "fault", "The relay is off."), problem(409, "conflict", "The relay is off."),
    json({ ...OFF }, 500), json({ ...OFF }, 409), json({ ...OFF }, 404),
  ]) {
    network.answer(refusal);
    stop();
    await settle();
    assertNoSuccess();
    assert.match(answer().text, /Stop did not reach the controller. Hit the emergency stop/);
    assert.equal(answer().kind, "bad");
    assert.match(textOf("assertive"), /Hit the emergency stop/);
  }
});

test("an answer that cannot be read", async () => {
  network.answer(new Response("<html>The relay is off.</html>", { status: 200 }));
  stop();
  await settle();
  assertNoSuccess();
});

test("a refused Stop is tried again", async () => {
  network.answer(problem(500, "fault", "no"), UNREACHABLE, json(OFF));
  stop();
  await settle();
  assert.match(answer().text, /Trying again \(1\)\./);
  await clock.pass(1499);
  assert.equal(network.asked.length, 1);
  await clock.pass(1);
  assert.equal(network.asked.length, 2);
  assert.match(answer().text, /Trying again \(2\)\./);
  await clock.pass(1500);
  assert.deepEqual(answer(), { text: OFF.message, kind: "good", isShown: true });
  await clock.pass(5000);
  assert.equal(network.asked.length, 3);
});

test("a silent controller is given three seconds", async () => {
  network.answer(SILENCE);
  stop();
  await clock.pass(2999);
  assert.equal(answer().kind, "busy");
  await clock.pass(1);
  assert.equal(answer().kind, "bad");
  assertNoSuccess();
});

test("a late Stop is dropped, and it says so", async () => {
  network.answer(UNREACHABLE);
  stop();
  await clock.pass(9000);
  assert.match(answer().text, /Trying again \(7\)\./);
  await clock.pass(1500);
  assert.equal(network.asked.length, 7);
  assert.match(answer().text, /was dropped\..* Press Stop to try again\./);
  network.answer(json(OFF));
  await clock.pass(60_000);
  assert.equal(network.asked.length, 7, "never delivered late");
  assertNoSuccess();
});

test("a phone that slept delivers no Stop", async () => {
  network.answer(UNREACHABLE);
  stop();
  await settle();
  clock.startMs += 600_000;
  network.answer(json(OFF));
  await clock.pass(60_000);
  assert.equal(network.asked.length, 1);
  assertNoSuccess();
});

test("a second press takes over", async () => {
  const { promise, resolve } = promised();
  network.answer(promise, json(OFF));
  stop();
  stop();
  await settle();
  assert.equal(answer().kind, "good");
  resolve(problem(500, "fault", "late"));
  await clock.pass(10_000);
  assert.equal(network.asked.length, 2, "the first one has given way");
  assert.equal(answer().text, OFF.message);
});

test("a second press while waiting", async () => {
  network.answer(UNREACHABLE, json(OFF));
  stop();
  await settle();
  stop();
  await clock.pass(10_000);
  assert.equal(network.asked.length, 2);
});

test("the button and its answer", async () => {
  network.answer(json(OFF));
  armStop();
  const event = fire(document.getElementById("stop-form"), "submit");
  assert.equal(event.isPrevented, true, "the page stays");
  await settle();
  assert.equal(answer().kind, "good");
  fire(document.getElementById("answer-close"), "click");
  assert.equal(answer().isShown, false);
});

test("another command takes a passing answer away", async () => {
  showAnswer("Taken.", "good");
  clearAnswer();
  assert.equal(answer().isShown, false);
  showAnswer("Not taken.", "bad", true);
  assert.equal(answer().isShown, true);
  clearAnswer();
  assert.equal(answer().isShown, false);
});

test("what Stop has to say stays", async () => {
  for (const kind of ["busy", "bad"]) {
    showAnswer("Stop did not reach the controller.", kind);
    clearAnswer();
    assert.equal(answer().isShown, true);
    await clock.pass(60_000);
    assert.equal(answer().isShown, true);
  }
});

test("a new text is not cut short by an old one", async () => {
  showAnswer("Done.", "good");
  await clock.pass(4000);
  showAnswer("Refused.", "bad");
  await clock.pass(5000);
  assert.equal(answer().isShown, true);
  showAnswer("Done.", "good");
  clearAnswer();
  showAnswer("Done again.", "good");
  await clock.pass(7900);
  assert.equal(answer().isShown, true);
});

test("a text taken away leaves no timer", async () => {
  showAnswer("Done.", "good");
  await clock.pass(4000);
  clearAnswer();
  assert.equal(clock.timers.size, 0);
});

test("a failure ends when the bench is back", () => {
  showAnswer("The controller cannot be reached.", "bad", true);
  clearFailure();
  assert.equal(answer().isShown, false);
  showAnswer("Done.", "good");
  clearFailure();
  assert.equal(answer().isShown, true, "what was done stays");
  showAnswer("Stop did not reach the controller.", "bad");
  clearFailure();
  assert.equal(answer().isShown, true, "what Stop could not do stays");
});

test("news never covers Stop", async () => {
  network.answer(SILENCE);
  stop();
  showNews("Two minutes left");
  assert.equal(answer().text, "Stopping\u2026");
  setPage("stop-form", "answer", "answer-text", "answer-close", "polite", "assertive");
  showAnswer("Stop did not reach the controller.", "bad");
  showNews("Two minutes left");
  assert.equal(answer().text, "Stop did not reach the controller.");
  showAnswer("Paused.", "good");
  showNews("Two minutes left");
  assert.deepEqual(answer(), { text: "Two minutes left", kind: "good", isShown: true });
  assert.equal(textOf("assertive"), "Two minutes left");
});

test("a Stop for another run says so", async () => {
  followRun({ status: { run_id: "r7" }, isFresh: true });
  network.answer(problem(409, "other-run", "This command was meant for run r7."));
  await stop();
  assert.equal(network.newest.path, "/api/stop?run_id=r7&age_s=0");
  assert.deepEqual(answer(), {
    text: "This command was meant for run r7.", kind: "bad", isShown: true,
  });
  followRun({ status: { run_id: "r7" }, isFresh: false });
  network.answer(json(OFF));
  await stop();
  assert.equal(network.newest.path, "/api/stop?age_s=0", "what is shown is old: any run");
  followRun({ status: null, isFresh: false });
});

test("the age goes on over the tries", async () => {
  network.answer(UNREACHABLE);
  stop();
  await clock.pass(1500);
  assert.equal(network.newest.path, "/api/stop?age_s=1.5");
});
