// A shape for every state, so that no state is shown by its colour alone.

import { mark, svg } from "./dom.js";

const PATHS = {
  idle: "M12 3a9 9 0 1 0 0 18a9 9 0 0 0 0-18zm0 3a6 6 0 1 1 0 12a6 6 0 0 1 0-12z",
  checking: "M12 3a9 9 0 1 0 0 18a9 9 0 0 0 0-18zm0 3v6h6a6 6 0 1 1-6-6z",
  running: "M6 3.5l14 8.5l-14 8.5z",
  paused: "M5 4h5v16h-5zM14 4h5v16h-5z",
  finished: "M9.5 19.5l-6.5-6.5l2.5-2.5l4 4l9-9.5l2.5 2.5z",
  stopped: "M4.5 4.5h15v15h-15z",
  tripped: "M12 2l11 20h-22zM10.8 9v6.5h2.4v-6.5zM10.8 17v2.4h2.4v-2.4z",
  interrupted:
    "M12 3a9 9 0 0 1 9 9h-3a6 6 0 0 0-6-6zM12 21a9 9 0 0 1-9-9h3a6 6 0 0 0 6 6zM10.5 10.5h3v3h-3z",
  warning: "M12 2l11 20h-22zM10.8 9v6.5h2.4v-6.5zM10.8 17v2.4h2.4v-2.4z",
  good: "M9.5 19.5l-6.5-6.5l2.5-2.5l4 4l9-9.5l2.5 2.5z",
  bad: "M5 7.5l2.5-2.5l4.5 4.5l4.5-4.5l2.5 2.5l-4.5 4.5l4.5 4.5l-2.5 2.5l-4.5-4.5l-4.5 4.5" +
    "l-2.5-2.5l4.5-4.5z",
  sound:
    "M3 9v6h4l6 5v-16l-6 5zM16 8a5 5 0 0 1 0 8zM16 4.5a8.5 8.5 0 0 1 0 15v-2a6.5 6.5 0 0 0 0-11z",
  muted:
    "M3 9v6h4l6 5v-16l-6 5zM15.5 9.5l1.5-1.5l2 2l2-2l1.5 1.5l-2 2l2 2l-1.5 1.5l-2-2l-2 2" +
    "l-1.5-1.5l2-2z",
};

/** Return the path of a shape on a square of 24. */
export const shapePath = (name) => PATHS[name] ?? PATHS.idle;

/** Return a shape. */
export function shape(name, attributes = {}) {
  const path = svg("path", { d: shapePath(name), "fill-rule": "evenodd" });
  return svg(
    "svg",
    { class: `shape shape-${name}`, viewBox: "0 0 24 24", "aria-hidden": "true", ...attributes },
    path,
  );
}

/** Turn a shape into another one. */
export function reshape(element, name) {
  mark(element, "class", `shape shape-${name}`);
  mark(element.firstChild, "d", shapePath(name));
}
