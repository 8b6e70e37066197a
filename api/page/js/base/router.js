// Screens by the address after #, so that going back works. Each screen is built once and kept.

import { byId, mark, show } from "./dom.js";
import { cancelDialogs } from "./dialog.js";

const PATIENCE_MS = 2500;

/**
 * Shows one screen at a time.
 *
 * builders: {name: () => {element, enter(parts), leave()}}. enter and leave may be missing. The
 * router waits for what enter returns.
 */
export class Router {
  constructor(builders, home) {
    this.builders = builders;
    this.home = home;
    this.screens = new Map();
    this.present = null;
    this.entry = 0;
    this.place = byId("screens");
    window.addEventListener("hashchange", () => this.go(true));
  }

  start() {
    this.go(false);
  }

  /** Show the screen in the address; move the focus there when a person chose it. */
  go(isMoved) {
    const [name, ...parts] = location.hash.slice(1).split("/").map(readable);
    const known = Object.hasOwn(this.builders, name) ? name : this.home;
    const screen = this.screen(known);
    if (this.present !== null) {
      this.present.leave?.();
      if (this.present !== screen) show(this.present.element, false);
    }
    this.present = screen;
    if (screen.element.parentNode === null) this.place.append(screen.element);
    show(screen.element, true);
    document.body.dataset.screen = known;
    this.markLink(known);
    this.reveal(screen, screen.enter?.(parts));
    if (isMoved) this.lead(screen);
  }

  /** Show a screen when all of it has arrived, or after a while what is there. */
  async reveal(screen, arrival) {
    this.entry += 1;
    const own = this.entry;
    if (arrival === undefined) return;
    mark(screen.element, "data-waiting", true);
    await Promise.race([arrival, new Promise((resolve) => setTimeout(resolve, PATIENCE_MS))]).catch(
      () => {},
    );
    if (own === this.entry || this.present !== screen) mark(screen.element, "data-waiting", null);
  }

  screen(name) {
    if (!this.screens.has(name)) this.screens.set(name, this.builders[name]());
    return this.screens.get(name);
  }

  /** Bring the person to the top of a screen. */
  lead(screen) {
    cancelDialogs();
    window.scrollTo(0, 0);
    const heading = screen.element.querySelector("h1");
    heading.tabIndex = -1;
    heading.focus({ preventScroll: true });
  }

  markLink(name) {
    for (const link of document.querySelectorAll("nav a")) {
      const screens = link.dataset.screens.split(" ");
      mark(link, "aria-current", screens.includes(name) ? "page" : null);
    }
  }
}

/** Return a part of the address decoded, or as it is where that fails. */
function readable(part) {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}
