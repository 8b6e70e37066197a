import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { FilmForm } from "../../../../api/page/js/prepare/film_form.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { NetworkDouble, problem } from "../doubles/network_double.js";
import { fire, setPage } from "../doubles/page_double.js";

const PLAN = { target_depth_mm: 0.25, etch_factor: 1.2345 };
const COUNTS = { "Lines-Saved": "7", "Lines-Lost": "2", "Openings-Limited": "3" };

let network;
let saved;
let artwork;
let form;

const tap = async () => {
  const button = form.element.querySelectorAll("button").at(-1);
  fire(button, "click");
  await settle();
};

beforeEach(() => {
  setPage();
  network = new NetworkDouble();
  saved = [];
  artwork = { artwork: "3f", artwork_name: "fern.brooch.pdf", measured: null };
  form = new FilmForm(() => artwork, (blob, name) => saved.push([blob.size, name]));
});

test("offered with a plan and a kept artwork", () => {
  assert.equal(form.element.hidden, true);
  form.offer(PLAN);
  assert.equal(form.element.hidden, false);
  assert.equal(form.depth.input.value, "0.25");
  assert.equal(form.etchFactor.input.value, "1.23");
  form.offer(null);
  assert.equal(form.element.hidden, true);
  artwork = { artwork: null, artwork_name: "", measured: null };
  form.offer(PLAN);
  assert.equal(form.element.hidden, true);
  artwork = { artwork: "3f", artwork_name: "", measured: { area_mm2: 1 } };
  form.offer(PLAN);
  assert.equal(form.element.hidden, true, "the file is gone");
});

test("the film is saved", async () => {
  form.offer(PLAN);
  network.answer(new Response("%PDF-1.7", { status: 200, headers: COUNTS }));
  await tap();
  assert.equal(network.newest.path, "/api/artworks/3f/film");
  assert.deepEqual(JSON.parse(network.newest.body), {
    depth_mm: 0.25,
    etch_factor: 1.23,
    border_mm: 5,
    file_format: "pdf",
    mirrored: true,
    negative: false,
    scale_bar_mm: 100,
  });
  assert.deepEqual(saved, [[8, "fern.brooch-film.pdf"]]);
  assert.match(form.answer.textContent, /lines saved: 7\. .*too thin: 2\. .*drawn: 3\. .* 100.0 mm/);
});

test("a refusal is shown", async () => {
  form.offer(PLAN);
  network.answer(problem(422, "bad-value", "No opening is wide enough.", {}));
  await tap();
  assert.equal(form.answer.textContent, "No opening is wide enough.");
  assert.deepEqual(saved, []);
});

test("a busy controller is asked again", async () => {
  const clock = new ClockDouble();
  form.offer(PLAN);
  network.answer(problem(503, "measuring", "Another artwork is measured.", {}));
  await tap();
  assert.equal(form.answer.textContent, "Making the film\u2026");
  network.answer(new Response("%PDF-1.7", { status: 200, headers: COUNTS }));
  await clock.pass(1500);
  await settle();
  assert.equal(saved.length, 1);
});

test("words are no numbers", async () => {
  form.offer(PLAN);
  form.border.input.value = "wide";
  await tap();
  assert.equal(form.answer.textContent, "Type depth, etch factor and border as numbers.");
  assert.equal(network.newest, undefined);
});
