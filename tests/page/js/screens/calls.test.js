import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { callsPart } from "../../../../api/page/js/screens/calls.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble, promised, UNREACHABLE } from "../doubles/network_double.js";
import { fire, setPage } from "../doubles/page_double.js";

const SERVICE = {
  position: 1, name: "mqtt", line: "mqtt (address 1): sent", waiting: 0, lost: 0,
  sent_at_utc: "2026-03-14T09:20:01Z", failed_at_utc: null,
};
const WELL = {
  is_set_up: true, is_well: true, message: "Messages reach you.", services: [SERVICE],
};

let network;
let played;
let part;

const text = () => part.element.textContent;
const buttons = () => part.element.querySelectorAll("button");
const test_button = () => buttons().find((it) => it.textContent === "Send a test message");
const problems = () =>
  part.element.querySelectorAll(".problem").map((it) => it.textContent).join("");

beforeEach(() => {
  new ClockDouble();
  network = new NetworkDouble();
  setPage("answer", "answer-text", "assertive", "polite", "trip");
  played = [];
  part = callsPart((call) => {
    played.push(call);
    return call !== "alarm";
  });
});

test("a guest gets no test button", async () => {
  await part.fetch(false);
  assert.match(text(), /Pair this phone to see where messages go/);
  assert.equal(test_button().hidden, true);
  assert.equal(network.asked.length, 0);
});

test("the services and their state", async () => {
  network.answer(json(WELL));
  await part.fetch(true);
  assert.equal(network.newest.path, "/api/messages");
  assert.match(text(), /Messages reach you\.mqtt \(address 1\): sentlast sent: /);
  assert.equal(problems(), "");
  assert.equal(test_button().hidden, false);
});

test("not set up is no problem", async () => {
  const message = "Messages are not set up. Write the file.";
  network.answer(json({ is_set_up: false, is_well: false, message, services: [] }));
  await part.fetch(true);
  assert.match(text(), /Messages are not set up\. Write the file\./);
  assert.equal(problems(), "");
});

test("a test and its outcome", async () => {
  network.answer(json(WELL));
  await part.fetch(true);
  const { promise, resolve } = promised();
  network.answer(promise);
  fire(test_button(), "click");
  await settle();
  assert.match(text(), /Sending\. This may take half a minute\./);
  assert.deepEqual(
    [network.newest.path, network.newest.method], ["/api/messages/test", "POST"],
  );
  const failed = {
    ...SERVICE, line: "mqtt (address 1): the service could not be reached", waiting: 2,
    sent_at_utc: null, failed_at_utc: "2026-03-14T09:20:01Z",
  };
  resolve(json({ ...WELL, is_well: false, message: "Not every message.", services: [failed] }));
  await settle();
  assert.equal(problems(), "Not every message.");
  assert.match(text(), /could not be reachedlast sent: never; 2 waiting/);
});

test("no answer is said", async () => {
  network.answer(UNREACHABLE);
  await part.fetch(true);
  assert.match(text(), /cannot reach the controller/);
});

test("each call can be heard", async () => {
  const hear = buttons().filter((it) => it.textContent === "Play");
  const names = hear.map((it) => it.getAttribute("aria-label"));
  assert.equal(new Set(names).size, 4);
  for (const one of hear) {
    assert.equal(problems(), "");
    fire(one, "click");
    await settle();
  }
  assert.deepEqual(played, ["come", "lift_now", "two_minutes_left", "alarm"]);
  assert.match(problems(), /No sound/);
});
