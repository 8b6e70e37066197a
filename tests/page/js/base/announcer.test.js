import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { announce, say, sayAtOnce } from "../../../../api/page/js/base/announcer.js";
import { StatusStore } from "../../../../api/page/js/frame/status_store.js";
import { setPage, textOf } from "../doubles/page_double.js";

const STATUS = {
  state: "running", reason: null, message: "Etching.", relay_welded: false, run_id: null,
  run_in_logbook: false, depth_mm: 0, target_depth_mm: 0.25, remaining_s: 600,
};

let store;
const take = (changes) => store.take({ ...STATUS, ...changes });
const polite = () => textOf("polite");
const assertive = () => textOf("assertive");

beforeEach(() => {
  setPage("polite", "assertive");
  store = new StatusStore();
  announce(store);
});

const TITLES = {
  lost_contact: "Contact lost", over_current: "Too much current", bath_hot: "The bath is hot",
  over_time: "Time ceiling reached",
};
const trip = (reason) => ({ reason, finding: { title: TITLES[reason] } });

test("two voices", () => {
  say("softly");
  sayAtOnce("loudly");
  assert.deepEqual([polite(), assertive()], ["softly", "loudly"]);
});

test("the first status is no change", () => {
  take({});
  assert.deepEqual([polite(), assertive()], ["", ""]);
});

test("a page that comes late says how deep", () => {
  take({ depth_mm: 0.03 });
  assert.equal(polite(), "Depth 0.03 of 0.25 millimetres, 10 minutes left.");
});

test("a change of state", () => {
  take({ state: "checking" });
  take({});
  assert.equal(polite(), "Running. Etching.");
  take({ state: "paused", ...trip("lost_contact"), message: "Is the plate in? 3 cm2" });
  assert.equal(polite(), "Paused. Contact lost. Is the plate in? 3 cm\u00b2");
  assert.equal(assertive(), "");
});

test("a trip at once", () => {
  take({});
  take({ state: "tripped", ...trip("over_current"), message: "3.4 A." });
  assert.equal(assertive(), "Tripped. Too much current. 3.4 A.");
  assert.equal(polite(), "");
  take({ state: "paused", message: "Acknowledged." });
  assert.equal(assertive(), "", "acknowledged, it is said no more");
  assert.equal(polite(), "Paused. Acknowledged.");
});

test("a trip at first sight", () => {
  take({ state: "tripped", ...trip("bath_hot"), message: "71 degC." });
  assert.equal(assertive(), "Tripped. The bath is hot. 71 \u00b0C.");
});

test("one trip after another", () => {
  take({ state: "tripped", ...trip("bath_hot"), message: "71." });
  take({ state: "tripped", ...trip("over_time"), message: "20 min." });
  assert.equal(assertive(), "Tripped. Time ceiling reached. 20 min.");
});

test("a welded relay at once", () => {
  take({});
  take({ state: "stopped", message: "Pull the plug.", relay_welded: true });
  assert.equal(assertive(), "Stopped. Pull the plug.");
});

test("each tenth of the depth once", () => {
  take({ depth_mm: 0.001 });
  take({ depth_mm: 0.0249 });
  assert.equal(polite(), "");
  take({ depth_mm: 0.0251, remaining_s: 540 });
  assert.equal(polite(), "Depth 0.03 of 0.25 millimetres, 9 minutes left.");
  take({ depth_mm: 0.0499, remaining_s: 480 });
  assert.match(polite(), /^Depth 0\.03 of/);
  take({ depth_mm: 0.0501, remaining_s: 75 });
  assert.equal(polite(), "Depth 0.05 of 0.25 millimetres, 75 seconds left.");
});

test("no tenth twice", () => {
  take({ depth_mm: 0.101 });
  say("");
  take({ depth_mm: 0.09 });
  take({ depth_mm: 0.102 });
  assert.equal(polite(), "", "as after a reading");
});

test("only a running bench counts", () => {
  take({ state: "paused" });
  say("");
  take({ state: "paused", depth_mm: 0.2 });
  assert.equal(polite(), "");
});

test("no tenth beside a state", () => {
  take({ state: "paused", depth_mm: 0.13 });
  const said = [];
  const element = document.getElementById("polite");
  const real = element.replaceChildren.bind(element);
  element.replaceChildren = (text) => {
    said.push(text);
    real(text);
  };
  take({ depth_mm: 0.13 });
  assert.deepEqual(said, ["Running. Etching."]);
  assert.equal(polite(), "Running. Etching.");
  take({ depth_mm: 0.14 });
  assert.equal(polite(), "Running. Etching.", "the fifth tenth was there with the state");
});

test("silent without depth or target", () => {
  take({});
  take({ depth_mm: null });
  take({ depth_mm: 0.2, target_depth_mm: null });
  take({ depth_mm: 0.2, target_depth_mm: 0 });
  assert.equal(polite(), "");
});

test("silence after ten seconds", () => {
  take({});
  store.look(10_000, false);
  assert.equal(polite(), "");
  store.look(10_001, false);
  assert.match(polite(), /^No word from the rig for ten seconds/);
  say("");
  store.look(12_000, false);
  assert.equal(polite(), "", "once");
  store.look(0, true);
  assert.equal(polite(), "The rig is back.");
  say("");
  store.look(0, true);
  assert.equal(polite(), "");
  store.look(11_000, false);
  assert.match(polite(), /^No word/);
});

test("no silence before the first status", () => {
  store.look(null, false);
  assert.equal(polite(), "");
  store.look(20_000, true);
  assert.equal(polite(), "", "fresh is fresh");
});
