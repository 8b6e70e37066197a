import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { StatusStore } from "../../../../api/page/js/frame/status_store.js";
import { keepTrip } from "../../../../api/page/js/frame/trip.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble } from "../doubles/network_double.js";
import { ElementDouble, fire, setPage } from "../doubles/page_double.js";

const STATUS = {
  state: "running", reason: null, finding: null, message: "Etching.", relay_welded: false,
  relay_on: true,
  run_id: null, run_in_logbook: false, depth_mm: 0.123, on_time_s: 597,
};
const FINDING = {
  reason: "over_current", value: 3.412, limit: 3.0, unit: "A", title: "Too much current",
  what: "The current is 3.412 A, over the limit of 3.000 A.",
  advice: "Look at 3 cm2 of bare metal.",
};
const TRIPPED = {
  ...STATUS, state: "tripped", reason: "over_current", relay_on: false, finding: FINDING,
  message: `${FINDING.what} ${FINDING.advice}`,
};

const READS_OFF = "The relay output reads off. Lift and rinse the plate: "
  + "the acid keeps biting with the power off.";

let bench;
let network;
const trip = () => document.getElementById("trip");
const part = (selector) => trip().querySelector(selector);
const rows = () => trip().querySelectorAll("dl")[0].children
  .filter(({ hidden }) => !hidden).map(({ textContent }) => textContent);

beforeEach(() => {
  new ClockDouble();
  network = new NetworkDouble();
  setPage("trip", "main", "answer", "answer-text", "polite", "assertive");
  trip().hidden = true;
  const screens = new ElementDouble("div");
  screens.setAttribute("class", "under-trip");
  document.body.append(screens);
  bench = new StatusStore();
  keepTrip(bench);
});

const isCovered = () => document.querySelector(".under-trip").inert;

test("a running bench shows no trip", () => {
  bench.take(STATUS);
  assert.equal(trip().hidden, true);
  assert.equal(document.activeElement, document.body);
});

test("a trip tells what, how much, what to do", () => {
  bench.take(TRIPPED);
  assert.equal(trip().hidden, false);
  assert.equal(part("h1").textContent, "Too much current");
  assert.equal(part(".trip-what").textContent, FINDING.what);
  assert.deepEqual(rows(), ["Measured3.412\u00a0A", "Limit3.000\u00a0A"]);
  assert.equal(part(".trip-todo").textContent, "Look at 3 cm\u00b2 of bare metal.");
  assert.equal(part(".quiet").textContent,
    `${READS_OFF} Depth so far 0.12 mm after 9:57.`);
  assert.equal(part(".plug").hidden, true);
  assert.notEqual(part(".shape-tripped"), null);
  assert.equal(trip().getAttribute("data-welded"), null);
});

test("without figures none are shown", () => {
  bench.take({ ...TRIPPED, finding: { ...FINDING, value: null, limit: null }, depth_mm: null });
  assert.equal(part("dl").hidden, true);
  assert.equal(part(".quiet").textContent, READS_OFF);
  bench.take(TRIPPED);
  assert.equal(part("dl").hidden, false);
  bench.take({ ...TRIPPED, finding: { ...FINDING, value: 12, limit: null } });
  assert.deepEqual(rows(), ["Measured12.000\u00a0A"]);
});

test("a relay that reads on is shown", () => {
  bench.take({ ...TRIPPED, relay_on: true });
  assert.match(part(".quiet").textContent, /^The relay output still reads on\./);
});

test("a welded relay says pull", () => {
  bench.take({ ...TRIPPED, state: "stopped", relay_welded: true });
  assert.equal(trip().hidden, false, "in any state");
  assert.equal(part("h1").textContent, "The relay is welded");
  assert.equal(part(".plug").hidden, false);
  assert.equal(part(".plug").textContent, "PULL THE PLUG");
  assert.equal(trip().getAttribute("data-welded"), "");
});

test("a trip without reason has a title", () => {
  bench.take({ ...TRIPPED, reason: null, finding: null });
  assert.equal(part("h1").textContent, "Tripped");
  assert.equal(part(".trip-todo").hidden, true);
  assert.equal(part(".trip-what").textContent, TRIPPED.message.replace("cm2", "cm\u00b2"));
});

test("the screens are covered and uncovered", () => {
  let cancelled = 0;
  const dialog = new ElementDouble("dialog");
  dialog.addEventListener("cancel", () => {
    cancelled += 1;
    dialog.close();
  });
  dialog.show();
  document.body.append(dialog);
  bench.take(TRIPPED);
  assert.equal(cancelled, 1, "a sheet gives way");
  assert.equal(isCovered(), true);
  assert.equal(document.activeElement.id, "trip-title");
  dialog.show();
  bench.take({ ...STATUS, state: "paused" });
  assert.equal(trip().hidden, true);
  assert.equal(cancelled, 1, "what is asked then stays");
  dialog.close();
  assert.equal(document.activeElement.id, "main");
});

test("uncovered, the screens live again", () => {
  bench.take(TRIPPED);
  bench.take({ ...STATUS, state: "paused" });
  assert.equal(isCovered(), false);
});

test("the same trip takes the focus once", () => {
  bench.take(TRIPPED);
  document.getElementById("main").focus();
  bench.take({ ...TRIPPED, depth_mm: 0.134 });
  assert.equal(document.activeElement.id, "main");
  assert.match(part(".quiet").textContent, /0\.13/);
});

test("acknowledge is a command", async () => {
  network.answer(json({}));
  bench.take(TRIPPED);
  fire(part("button"), "click");
  await settle();
  assert.equal(network.newest.path, "/api/acknowledge?age_s=0");
  assert.equal(network.newest.method, "POST");
});
