// The pictures of artworks, fetched one after the other: the controller draws one at a time.

import { path } from "../../base/server.js";

const AGAIN_MS = 2000;
const MOST_TRIES = 8;

const known = new Map();
let last = Promise.resolve();

/** Call show(address) once the picture of an artwork can be shown. */
export function pictureOf(artwork, show) {
  const address = path("artworks", artwork, "preview.png");
  if (!known.has(artwork)) {
    last = last.then(() => loaded(address));
    known.set(artwork, last);
  }
  known.get(artwork).then((isThere) => isThere && show(address));
}

/** Return whether a picture came, in the end. */
async function loaded(address) {
  for (let trial = 1; trial <= MOST_TRIES; trial += 1) {
    const image = new Image();
    const outcome = new Promise((resolve) => {
      image.addEventListener("load", () => resolve(true));
      image.addEventListener("error", () => resolve(false));
    });
    image.src = address;
    if (await outcome) return true;
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
  return false;
}
