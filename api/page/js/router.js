// Screens by the address after #, so that going back works. Each screen is built once and kept.

import { byId, mark, show } from "./dom.js";

/**
 * Shows one screen at a time.
 *
 * builders: {name: () => {element, title, enter(parts), leave(), update(status)}}; all but element may be missing.
 */
export class Router {
  constructor(builders, home) {
    this.builders = builders;
    this.home = home;
    this.screens = new Map();
    this.present = null;
    this.place = byId("screens");
    window.addEventListener("hashchange", () => this.go(true));
  }

  start() {
    this.go(false);
  }

  /** Show what the address names; the focus follows when a person went there. */
  go(isMoved) {
    const [name, ...parts] = location.hash.slice(1).split("/").map(decodeURIComponent);
    const known = name in this.builders ? name : this.home;
    const screen = this.screen(known);
    if (this.present !== null) {
      this.present.leave?.();
      if (this.present !== screen) show(this.present.element, false);
    }
    this.present = screen;
    if (screen.element.parentNode === null) this.place.append(screen.element);
    show(screen.element, true);
    this.markLink(known);
    screen.enter?.(parts);
    if (isMoved) this.lead(screen);
  }

  screen(name) {
    if (!this.screens.has(name)) this.screens.set(name, this.builders[name]());
    return this.screens.get(name);
  }

  /** Bring the person to the top of a screen. */
  lead(screen) {
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
