// Screens by the address after #, so that going back works. Each screen is built once and kept.

import { button, byId, h, mark, show } from "./dom.js";
import { cancelDialogs } from "./dialog.js";
import { text } from "./text.js";

const PATIENCE_MS = 2500;

/**
 * Shows one screen at a time.
 *
 * builders: {name: () => {element, enter(parts), leave()}}, or a promise of that for a screen whose
 * module is loaded later. enter and leave may be missing. The router waits for what enter returns.
 */
export class Router {
  constructor(builders, home) {
    this.builders = builders;
    this.home = home;
    this.screens = new Map();
    this.present = null;
    this.entry = 0;
    this.visit = 0;
    this.place = byId("screens");
    window.addEventListener("hashchange", () => this.go(true));
  }

  start() {
    this.go(false);
  }

  /** Show the screen in the address; move the focus there when a person chose it. */
  go(isMoved) {
    this.visit += 1;
    const [name, ...parts] = location.hash.slice(1).split("/").map(readable);
    const known = Object.hasOwn(this.builders, name) ? name : this.home;
    const screen = this.screen(known);
    if (screen instanceof Promise) this.goLater(screen, known, parts, isMoved);
    else this.change(screen, known, parts, isMoved);
  }

  /** Show a screen when its module has arrived, unless the person has gone elsewhere. */
  async goLater(arriving, known, parts, isMoved) {
    const own = this.visit;
    const screen = await arriving.catch(() => unloaded(() => this.go(true)));
    if (own === this.visit) this.change(screen, known, parts, isMoved);
  }

  /** Load the modules of screens that come later, so that they work without the network, too. */
  prepare(names) {
    for (const name of names) {
      const screen = this.screen(name);
      if (screen instanceof Promise) screen.catch(() => {});
    }
  }

  change(screen, known, parts, isMoved) {
    if (this.present !== null) {
      this.present.leave?.();
      if (this.present !== screen) this.putAway(this.present);
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

  /** Hide a screen. One that only says that another is missing is not kept. */
  putAway(screen) {
    if (screen.isMissing) screen.element.remove();
    else show(screen.element, false);
  }

  /** Return a screen, or the promise of one that is on its way. One that failed is loaded again. */
  screen(name) {
    if (!this.screens.has(name)) {
      const built = this.builders[name]();
      this.screens.set(name, built);
      if (built instanceof Promise) {
        built.then(
          (screen) => this.screens.set(name, screen),
          () => this.screens.delete(name),
        );
      }
    }
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

/** Return a screen that says that another one could not be loaded, and offers to try again. */
function unloaded(again) {
  const element = h(
    "div",
    { class: "screen" },
    h("h1", {}, text("router.not_loaded")),
    h("p", { role: "alert" }, text("router.what_to_do")),
    button(text("router.again"), again),
  );
  return { element, isMissing: true };
}

/** Return a part of the address decoded, or as it is where that fails. */
function readable(part) {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}
