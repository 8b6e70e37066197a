import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { ArtworkPicker } from "../../../../api/page/js/prepare/artwork_picker.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble, problem, promised, UNREACHABLE } from "../doubles/network_double.js";
import { fire, setPage, textOf } from "../doubles/page_double.js";

const FOUND = {
  artwork: "a1", name: "reeds.png", area_mm2: 712.3, edge_mm: 640.4, width_mm: 40.04, height_mm: 30,
  measure: { area_uncertainty_mm2: 2.1, warnings: ["3 cm2 is little."] },
};
const FACTS = "reeds.png: 7.123 \u00b1 0.021 cm\u00b2 open, 640 mm of edge, 40.0 \u00d7 30.0 mm. "
  + "3 cm\u00b2 is little.";
/** The answer to a measurement, and to the question for the shelf. */
const measured = () => json({ ...FOUND, artworks: [] });
const PICTURE = "/api/artworks/a1/preview.png";

let clock;
let network;
let picker;
let changes;

const facts = () => picker.facts.textContent;
const option = (picked, text) => {
  picked.input.value = text;
  fire(picked.input, "change");
};

beforeEach(() => {
  clock = new ClockDouble();
  network = new NetworkDouble();
  network.answer(json({ artworks: [] }));
  setPage("answer", "answer-text", "assertive", "polite");
  changes = 0;
  picker = new ArtworkPicker(() => (changes += 1));
});

/** Choose a file as a person does. */
async function choose(answer) {
  network.answer(answer, json({ artworks: [] }));
  const file = new Blob(["x"], { type: "image/png" });
  picker.file.files = [Object.assign(file, { name: "reeds.png" })];
  fire(picker.file, "change");
  await settle();
}

test("nothing chosen, nothing asked", async () => {
  fire(picker.file, "change");
  fire(picker.before, "change");
  await settle();
  assert.equal(network.asked.length, 0);
  assert.equal(picker.image.hidden, true);
  assert.deepEqual(picker.read(), { artwork: null, artwork_name: "", measured: null, plate: null });
});

test("a file is measured", async () => {
  const { promise, resolve } = promised();
  await choose(promise);
  assert.equal(facts(), "Measuring reeds.png\u2026");
  resolve(measured());
  await settle();
  assert.equal(network.asked[0].path, "/api/artworks?name=reeds.png");
  assert.equal(network.asked[0].body, picker.file.files[0]);
  assert.equal(facts(), FACTS);
  assert.deepEqual(picker.read(), {
    artwork: "a1", artwork_name: "reeds.png", measured: null, plate: null,
  });
  assert.equal(changes, 1);
  assert.equal(network.asked[1].path, "/api/artworks?limit=30", "it is on the shelf now");
});

test("the options go with the file", async () => {
  await choose(measured());
  network.answer(measured());
  option(picker.width, "40,5");
  option(picker.margin, "2");
  option(picker.page, "3");
  picker.invert.checked = true;
  network.asked.length = 0;
  fire(picker.invert, "change");
  await settle();
  assert.equal(network.asked[0].path,
    "/api/artworks?name=reeds.png&invert=true&width_mm=40.5&margin_mm=2&page=3");
});

test("each option measures again", async () => {
  await choose(measured());
  for (const changed of [picker.width, picker.margin, picker.page]) {
    network.asked.length = 0;
    network.answer(measured());
    option(changed, "5");
    await settle();
    assert.equal(network.asked[0].method, "POST");
  }
});

test("a long name is cut", async () => {
  network.answer(measured());
  picker.file.files = [Object.assign(new Blob(["x"]), { name: "a".repeat(130) })];
  fire(picker.file, "change");
  await settle();
  assert.equal(network.asked[0].path, `/api/artworks?name=${"a".repeat(120)}`);
});

test("a refused file is marked", async () => {
  await choose(problem(422, "artwork-refused", "no true size"));
  assert.equal(picker.note.element.textContent, "No true size.");
  assert.equal(picker.isRefused, true);
  assert.deepEqual([facts(), changes, picker.artwork], ["", 0, null]);
  await choose(measured());
  assert.equal(picker.isRefused, false);
  assert.match(picker.note.element.textContent, /^PDF, SVG/);
});

test("no controller to be reached", async () => {
  await choose(UNREACHABLE);
  assert.match(textOf("answer-text"), /cannot reach the controller/);
  assert.deepEqual([picker.isRefused, changes], [false, 0]);
});

test("known artworks are offered", async () => {
  network.answer(json({
    artworks: [{ artwork: "a1", name: "reeds.png", area_mm2: 712.3 },
      { artwork: "a2", name: "", area_mm2: 100 }],
  }));
  picker.artwork = "a2";
  await picker.fetch();
  const options = picker.before.children.map(({ value, textContent }) => [value, textContent]);
  assert.deepEqual(options, [
    ["", "choose\u2026"], ["a1", "reeds.png, 7.12\u00a0cm\u00b2"],
    ["a2", "unnamed, 1.00\u00a0cm\u00b2"],
  ]);
  assert.equal(picker.before.value, "a2");
  picker.artwork = "a3";
  await picker.fetch();
  assert.equal(picker.before.value, "");
});

test("no list without a controller", async () => {
  network.answer(UNREACHABLE);
  await picker.fetch();
  assert.equal(picker.before.children.length, 1);
});

test("one of the known artworks", async () => {
  network.answer(measured());
  picker.before.value = "a1";
  fire(picker.before, "change");
  await settle();
  assert.equal(network.newest.path, "/api/artworks/a1");
  assert.deepEqual([facts(), changes], [FACTS, 1]);
});

test("a draft's artwork is no choice", async () => {
  network.answer(measured());
  picker.write({ artwork: "a1", artwork_name: "as measured before", measured: null, plate: null });
  await settle();
  assert.deepEqual([facts(), changes], [FACTS, 0]);
  network.asked.length = 0;
  picker.write({ artwork: null, artwork_name: "", measured: null, plate: null });
  await settle();
  assert.equal(network.asked.length, 0);
  assert.equal(picker.artwork, null);
});

test("an artwork that is gone", async () => {
  network.answer(problem(404, "not-found", "no such artwork"));
  picker.write({ artwork: "a1", artwork_name: "reeds", measured: null, plate: null });
  await settle();
  assert.equal(facts(), "This artwork is no longer kept: upload the file again.");
  const kept = { area_mm2: 712 };
  picker.write({ artwork: "a1", artwork_name: "reeds", measured: kept, plate: null });
  await settle();
  assert.equal(facts(), "The file is gone, but its measurement is kept.");
  assert.deepEqual(picker.read(), {
    artwork: "a1", artwork_name: "reeds", measured: kept, plate: null,
  });
  await picker.take("a1", true);
  assert.equal(changes, 0);
});

test("an artwork on a phone that is not paired", async () => {
  network.answer(problem(401, "pairing-needed", "not paired"));
  picker.write({ artwork: "a1", artwork_name: "reeds", measured: null, plate: null });
  await settle();
  assert.equal(facts(), "Only paired phones can see artworks. Pair this phone on the Rig screen.");
});

test("the picture waits for the last change", async () => {
  picker.show(FOUND);
  await clock.pass(599);
  picker.draw(0.25, 1.25);
  await clock.pass(599);
  assert.equal(picker.image.src, undefined);
  await clock.pass(1);
  assert.equal(picker.image.src, `${PICTURE}?depth_mm=0.25&etch_factor=1.25`);
});

test("the picture without plan", async () => {
  picker.show(FOUND);
  await clock.pass(600);
  assert.equal(picker.image.src, PICTURE);
  assert.match(picker.image.getAttribute("alt"), /^Picture of reeds\.png/);
});

test("noise draws no new picture", async () => {
  picker.show(FOUND);
  picker.draw(0.25, 1.25);
  await clock.pass(600);
  picker.drawn(true);
  picker.draw(0.250001, 1.2501);
  await clock.pass(0);
  assert.equal(clock.timers.size, 0);
  picker.draw(0.2501, 1.25);
  assert.equal(clock.timers.size, 1);
  picker.draw(0.2501, 1.26);
  await clock.pass(600);
  assert.equal(picker.image.src, `${PICTURE}?depth_mm=0.2501&etch_factor=1.26`);
});

test("no artwork, no picture", () => {
  picker.draw(0.25, 1.25);
  assert.equal(clock.timers.size, 0);
  picker.write({ artwork: null, artwork_name: "", measured: { area_mm2: 1 } });
  picker.artwork = "a1";
  picker.draw(0.25, 1.25);
  assert.equal(clock.timers.size, 0, "a stored measurement has none");
});

test("one picture at a time", async () => {
  picker.show(FOUND);
  await clock.pass(600);
  picker.draw(0.25, 1.25);
  await clock.pass(600);
  assert.equal(picker.image.src, PICTURE, "the first one is still being drawn");
  fire(picker.image, "load");
  assert.equal(picker.image.src, `${PICTURE}?depth_mm=0.25&etch_factor=1.25`);
  fire(picker.image, "load");
  assert.equal(picker.asked, null);
});

test("a picture that came is shown", async () => {
  picker.show(FOUND);
  await clock.pass(600);
  fire(picker.image, "load");
  assert.deepEqual([picker.image.hidden, picker.waiting.hidden], [false, true]);
  assert.equal(clock.timers.size, 0);
  picker.draw(0.1, 1.25);
  await clock.pass(600);
  fire(picker.image, "error");
  assert.deepEqual([picker.image.hidden, picker.waiting.hidden], [true, false]);
});

test("a picture is tried eight times", async () => {
  picker.show(FOUND);
  await clock.pass(600);
  for (let trial = 1; trial < 8; trial += 1) {
    picker.image.src = "";
    fire(picker.image, "error");
    await clock.pass(1999);
    assert.equal(picker.image.src, "", `${trial}`);
    await clock.pass(1);
    assert.equal(picker.image.src, PICTURE, `${trial}`);
    assert.doesNotMatch(picker.waiting.textContent, /cannot/);
  }
  fire(picker.image, "error");
  assert.equal(picker.waiting.textContent, "The picture cannot be drawn.");
  assert.equal(clock.timers.size, 0);
});

test("failures are counted in a row", async () => {
  picker.show(FOUND);
  await clock.pass(600);
  const fail = async (count) => {
    for (let trial = 0; trial < count; trial += 1) {
      fire(picker.image, "error");
      await clock.pass(2000);
    }
  };
  await fail(7);
  fire(picker.image, "load");
  assert.equal(picker.failures, 0);
  picker.ask();
  await fail(7);
  picker.draw(0.2, 1.25);
  assert.equal(picker.failures, 0, "another picture begins from nothing");
  fire(picker.image, "error");
  assert.equal(picker.failures, 0, "an old picture's failure is not counted");
});
