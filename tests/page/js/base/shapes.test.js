import assert from "node:assert/strict";
import { test } from "node:test";

import { reshape, shape, shapePath } from "../../../../api/page/js/base/shapes.js";
import { STATES } from "../../../../api/page/js/base/words.js";
import { setPage } from "../doubles/page_double.js";

test("no two states look alike", () => {
  const paths = STATES.map(shapePath);
  assert.equal(new Set(paths).size, paths.length);
  assert.notEqual(shapePath("good"), shapePath("bad"));
  assert.notEqual(shapePath("sound"), shapePath("muted"));
  assert.equal(shapePath("unheard of"), shapePath("idle"));
});

test("a shape is drawn and redrawn", () => {
  setPage();
  const element = shape("running", { id: "mine" });
  assert.equal(element.getAttribute("class"), "shape shape-running");
  assert.equal(element.getAttribute("aria-hidden"), "true", "its word is read in its place");
  assert.equal(element.getAttribute("viewBox"), "0 0 24 24");
  assert.equal(element.id, "mine");
  assert.equal(element.firstChild.getAttribute("d"), shapePath("running"));
  assert.equal(element.firstChild.getAttribute("fill-rule"), "evenodd");
  reshape(element, "tripped");
  assert.equal(element.getAttribute("class"), "shape shape-tripped");
  assert.equal(element.firstChild.getAttribute("d"), shapePath("tripped"));
});
