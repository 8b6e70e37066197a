// Wet gloves tap twice: a button that replaces a tapped one waits a moment before it takes a tap.

import { mark } from "./dom.js";

const WAIT_MS = 700;

let tappedAt = -Infinity;
for (const kind of ["pointerdown", "click", "keydown"]) {
  document.addEventListener(kind, () => (tappedAt = performance.now()), true);
}
document.addEventListener(
  "click",
  (event) => {
    if (!event.target.closest?.("[data-waits]")) return;
    event.preventDefault();
    event.stopPropagation();
  },
  true,
);

/** Put children into a box. Right after a tap their buttons are disabled for a moment. */
export function place(box, children) {
  box.replaceChildren(...children);
  const rest = WAIT_MS - (performance.now() - tappedAt);
  if (rest <= 0) return;
  const waiting = [...box.querySelectorAll("button, a.button")];
  for (const element of waiting) wait(element, true);
  setTimeout(() => waiting.forEach((element) => wait(element, false)), rest);
}

function wait(element, isWaiting) {
  mark(element, "data-waits", isWaiting);
  mark(element, "aria-disabled", isWaiting ? "true" : null);
}
