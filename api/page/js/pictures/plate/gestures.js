// Fingers, mouse and keys on a picture: pan, pinch, tap, and a line that a finger draws.

const TAP_PX = 8;
const KEY_PX = 40;
const KEY_FACTOR = 1.5;

/**
 * Listen on an element. handlers: pan(dx, dy), zoom(factor, point), tap(point), fit(),
 * line(from, to, isDone); isDrawing(): one finger draws a line and does not pan.
 */
export function listen(element, handlers) {
  const fingers = new Map();
  let start = null;
  let hasMoved = false;
  const pointOf = (event) => {
    const box = element.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };

  element.addEventListener("pointerdown", (event) => {
    element.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, pointOf(event));
    if (fingers.size === 1) {
      start = pointOf(event);
      hasMoved = false;
    } else {
      hasMoved = true;
    }
  });

  element.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (before === undefined) return;
    const now = pointOf(event);
    if (fingers.size === 1) {
      hasMoved ||= Math.hypot(now.x - start.x, now.y - start.y) > TAP_PX;
      if (hasMoved && handlers.isDrawing()) handlers.line(start, now, false);
      else if (hasMoved) handlers.pan(now.x - before.x, now.y - before.y);
    } else {
      const [other] = [...fingers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
      const spread = (point) => Math.hypot(point.x - other.x, point.y - other.y);
      const middle = { x: (now.x + other.x) / 2, y: (now.y + other.y) / 2 };
      handlers.pan((now.x - before.x) / 2, (now.y - before.y) / 2);
      if (spread(before) > 1) handlers.zoom(spread(now) / spread(before), middle);
    }
    fingers.set(event.pointerId, now);
  });

  const end = (event) => {
    if (!fingers.delete(event.pointerId)) return;
    const at = pointOf(event);
    if (fingers.size > 0 || event.type === "pointercancel") return;
    if (!hasMoved) handlers.tap(at);
    else if (handlers.isDrawing()) handlers.line(start, at, true);
  };
  element.addEventListener("pointerup", end);
  element.addEventListener("pointercancel", end);

  element.addEventListener(
    "wheel",
    (event) => {
      if (!event.ctrlKey && !event.metaKey) return; // the page scrolls
      event.preventDefault();
      handlers.zoom(Math.exp(-event.deltaY / 300), pointOf(event));
    },
    { passive: false },
  );

  element.addEventListener("keydown", (event) => {
    const middle = { x: element.clientWidth / 2, y: element.clientHeight / 2 };
    const keys = {
      ArrowLeft: () => handlers.pan(KEY_PX, 0),
      ArrowRight: () => handlers.pan(-KEY_PX, 0),
      ArrowUp: () => handlers.pan(0, KEY_PX),
      ArrowDown: () => handlers.pan(0, -KEY_PX),
      "+": () => handlers.zoom(KEY_FACTOR, middle),
      "-": () => handlers.zoom(1 / KEY_FACTOR, middle),
      0: () => handlers.fit(),
      Enter: () => handlers.tap(middle),
    };
    if (keys[event.key] === undefined || event.ctrlKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  });
}
