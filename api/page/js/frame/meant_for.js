// What goes with each command: the run that the person saw, and how long ago the person tapped.

/** A command older than this is dropped, ms. The controller refuses it from the same age on. */
export const LATE_MS = 10000;

let shownRun = () => null;
let isFresh = () => false;

/** Learn where the shown run comes from. */
export function followRun(store) {
  shownRun = () => store.status?.run_id ?? null;
  isFresh = () => store.isFresh;
}

/** One tap: the run that was shown, and its age. */
export class Tap {
  constructor() {
    this.runId = shownRun();
    this.isFresh = isFresh();
    this.again();
  }

  /** The person has confirmed just now. */
  again() {
    this.at = performance.now();
    this.dateAt = Date.now();
  }

  /** Return the time since the tap, ms. On a phone that slept only one of the clocks went on. */
  ageMs() {
    return Math.max(performance.now() - this.at, Date.now() - this.dateAt, 0);
  }

  isLate() {
    return this.ageMs() > LATE_MS;
  }

  /** Return the query of a command. A start has no run yet. */
  values(hasRun = true) {
    return { run_id: hasRun ? this.runId : null, age_s: this.ageMs() / 1000 };
  }
}
