import assert from "node:assert/strict";
import { test } from "node:test";

import { keep, kept } from "../../../../api/page/js/base/kept.js";

const store = () => {
  const items = {};
  return {
    getItem: (name) => items[name] ?? null,
    setItem: (name, value) => (items[name] = value),
  };
};

test("kept for later, each in its area", () => {
  globalThis.localStorage = store();
  globalThis.sessionStorage = store();
  assert.equal(kept("a"), null);
  keep("a", "1");
  keep("a", "2", "sessionStorage");
  assert.equal(kept("a"), "1");
  assert.equal(kept("a", "sessionStorage"), "2");
});

test("a browser that keeps nothing", () => {
  const refuse = () => {
    throw new DOMException("denied", "SecurityError");
  };
  Object.defineProperty(globalThis, "localStorage", { get: refuse, configurable: true });
  keep("a", "1");
  assert.equal(kept("a"), null);
});
