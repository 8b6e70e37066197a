import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import {
  get, getPatiently, path, post, query, RefusedError, UnreachableError, upload,
} from "../../../../api/page/js/base/server.js";
import { ClockDouble, settle } from "../doubles/clock_double.js";
import { json, NetworkDouble, problem, SILENCE, UNREACHABLE } from "../doubles/network_double.js";

let clock;
let network;

beforeEach(() => {
  clock = new ClockDouble();
  network = new NetworkDouble();
});

test("an answer is its JSON", async () => {
  network.answer(json({ state: "idle" }));
  assert.deepEqual(await get("/api/status"), { state: "idle" });
  assert.equal(network.newest.path, "/api/status");
  assert.equal(network.newest.cache, "no-store", "never an old one");
  assert.equal(network.newest.method, undefined);
});

test("an empty answer is null", async () => {
  network.answer(new Response("", { status: 200 }));
  assert.equal(await post("/api/pairing/new"), null);
});

test("a refusal says why", async () => {
  const errors = [{ field: "depth_mm", message: "too deep", limit: 1.2 }];
  network.answer(problem(409, "surprising-reading", "Is it right?", { errors, surprise: 7 }));
  await assert.rejects(get("/api/x"), (error) => {
    assert.ok(error instanceof RefusedError);
    assert.equal(error.message, "Is it right?");
    assert.equal(error.status, 409);
    assert.equal(error.kind, "surprising-reading");
    assert.deepEqual(error.errors, errors);
    assert.equal(error.surprise, 7);
    return true;
  });
});

test("a refusal without words", async () => {
  for (const answer of [new Response("<html>", { status: 500 }), json({}, 500)]) {
    network.answer(answer);
    await assert.rejects(get("/api/x"), (error) => {
      assert.equal(error.message, "The controller answered 500.");
      assert.deepEqual([error.status, error.kind, error.errors], [500, "", []]);
      assert.equal(error.surprise, null);
      return true;
    });
  }
});

test("no way to the controller", async () => {
  network.answer(UNREACHABLE);
  await assert.rejects(get("/api/x"), UnreachableError);
});

/** Return after how many seconds of silence a request gives up. */
async function patienceOf(request) {
  network.answer(SILENCE);
  let failed = null;
  request().catch((error) => (failed = error));
  for (let seconds = 1; seconds < 1000; seconds += 1) {
    await clock.pass(1000);
    if (failed !== null) {
      assert.ok(failed instanceof UnreachableError);
      return seconds;
    }
  }
  return null;
}

test("patience has an end", async () => {
  assert.equal(await patienceOf(() => get("/api/x")), 8);
  assert.equal(await patienceOf(() => post("/api/x", {})), 8);
  assert.equal(await patienceOf(() => upload("/api/x", new Blob(["a"]))), 120);
});

const busy = () => problem(503, "loop-not-alive", "silent");

test("a busy loop is asked again", async () => {
  network.answer(busy(), busy(), json({ runs: [] }));
  const answer = getPatiently("/api/runs");
  await settle();
  assert.equal(network.asked.length, 1);
  await clock.pass(900);
  assert.equal(network.asked.length, 1);
  await clock.pass(1100);
  assert.deepEqual(await answer, { runs: [] });
  assert.equal(network.asked.length, 3);
});

test("three tries and no more", async () => {
  network.answer(busy());
  let failed = null;
  getPatiently("/api/runs").catch((error) => (failed = error));
  await clock.pass(10_000);
  assert.equal(failed?.kind, "loop-not-alive");
  assert.equal(network.asked.length, 3);
});

test("other refusals are final", async () => {
  network.answer(problem(404, "not-found", "no such run"));
  await assert.rejects(getPatiently("/api/runs/x"), { message: "no such run" });
  assert.equal(network.asked.length, 1);
});

test("JSON goes out as JSON", async () => {
  network.answer(json(null));
  await post("/api/start", { depth_mm: 0.25 });
  const { method, headers, body } = network.newest;
  assert.equal(method, "POST");
  assert.deepEqual(headers, { "Content-Type": "application/json" });
  assert.deepEqual(JSON.parse(body), { depth_mm: 0.25 });
  await post("/api/pause");
  assert.equal(network.newest.method, "POST");
  assert.equal(network.newest.body, undefined);
  assert.equal(network.newest.headers, undefined);
});

test("a file goes out as it is", async () => {
  network.answer(json(null));
  const picture = new Blob(["a"], { type: "image/png" });
  await upload("/api/artworks", picture);
  assert.equal(network.newest.method, "POST");
  assert.deepEqual(network.newest.headers, { "Content-Type": "image/png" });
  assert.equal(network.newest.body, picture);
  await upload("/api/artworks", new Blob(["a"], { type: "text/html" }));
  assert.deepEqual(network.newest.headers, { "Content-Type": "application/octet-stream" });
});

test("addresses are escaped", () => {
  assert.equal(path("runs", "a/b c", "samples"), "/api/runs/a%2Fb%20c/samples");
  const values = { name: "a&b", limit: 0, page: null, width: undefined, note: "", invert: false };
  assert.equal(query("/api/x", values), "/api/x?name=a%26b&limit=0&invert=false");
  assert.equal(query("/api/x", { page: null }), "/api/x");
});
