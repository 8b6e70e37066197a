// A clock that only the test moves: Date.now, performance.now and the timers follow it.

const later = globalThis.setImmediate;

/** Let everything run that waits for nothing but its turn. */
export async function settle() {
  for (let turn = 0; turn < 5; turn += 1) await new Promise((resolve) => later(resolve));
}

export class ClockDouble {
  constructor() {
    this.startMs = 1_700_000_000_000;
    this.passedMs = 0;
    this.timers = new Map();
    this.newest = 0;
    const add = (action, waitMs = 0, everyMs = null) => {
      this.newest += 1;
      this.timers.set(this.newest, { action, dueMs: this.passedMs + waitMs, everyMs });
      return this.newest;
    };
    globalThis.setTimeout = (action, waitMs) => add(action, waitMs);
    globalThis.setInterval = (action, everyMs) => add(action, everyMs, everyMs);
    globalThis.clearTimeout = (id) => this.timers.delete(id);
    globalThis.clearInterval = globalThis.clearTimeout;
    Date.now = () => this.startMs + this.passedMs;
    Object.defineProperty(performance, "now", {
      value: () => this.passedMs + 12_345, configurable: true, writable: true,
    });
    AbortSignal.timeout = (waitMs) => {
      const controller = new AbortController();
      add(() => controller.abort(new DOMException("timed out", "TimeoutError")), waitMs);
      return controller.signal;
    };
  }

  /** Let time pass; timers run at their time, in order. */
  async pass(ms) {
    const endMs = this.passedMs + ms;
    await settle();
    for (;;) {
      const due = [...this.timers].filter(([, { dueMs }]) => dueMs <= endMs);
      if (due.length === 0) break;
      const [id, timer] = due.reduce((a, b) => (b[1].dueMs < a[1].dueMs ? b : a));
      this.passedMs = timer.dueMs;
      if (timer.everyMs === null) this.timers.delete(id);
      else timer.dueMs += timer.everyMs;
      timer.action();
      await settle();
    }
    this.passedMs = endMs;
  }
}
