// What happened in a run, oldest first: the list grows at its end, so that nothing jumps.

import { h } from "../base/dom.js";
import { clockwork, printed, timeOfDay } from "../base/numbers.js";
import { get, path, query } from "../base/server.js";

const AGAIN_MS = [700, 2500];

/** The events of one run, fetched a part at a time. */
export class EventList {
  constructor() {
    this.list = h("ol", { class: "events" });
    this.empty = h("p", { class: "quiet" }, "Nothing has happened yet.");
    this.element = h("div", {}, this.empty, this.list);
    this.clear(null);
  }

  clear(runId) {
    this.runId = runId;
    this.events = [];
    this.list.replaceChildren();
    this.empty.hidden = false;
  }

  /** Fetch what is new; again a little later, as the logbook writes behind. */
  follow(runId) {
    if (runId !== this.runId) this.clear(runId);
    if (runId === null) return;
    for (const wait of AGAIN_MS) setTimeout(() => this.fetch(runId).then(() => this.onnews?.()), wait);
  }

  /** Fetch all that is new now. */
  async fetch(runId) {
    if (runId !== this.runId) return;
    let after = this.events.at(-1)?.number ?? 0;
    while (after !== null) {
      let part;
      try {
        part = await get(query(path("runs", runId, "events"), { after }));
      } catch {
        return;
      }
      if (runId !== this.runId) return;
      part.events.filter((event) => event.number > (this.events.at(-1)?.number ?? 0)).forEach((event) => this.add(event));
      after = part.next_after;
    }
  }

  add(event) {
    this.events.push(event);
    this.empty.hidden = true;
    const row = h(
      "li",
      { class: `event event-${event.kind}` },
      h("span", { class: "event-time" }, timeOfDay(new Date(event.at_utc))),
      h("span", { class: "event-text" }, eventText(event)),
    );
    this.list.append(row);
  }

  /** Return the newest event in words. */
  newest() {
    return this.events.length === 0 ? "" : eventText(this.events.at(-1));
  }

  /** Return the changes of state as marks for the curves: [[minutes, word]]. */
  marks() {
    return this.events.filter((event) => event.kind === "state" && event.on_time_s > 0).map((event) => [event.on_time_s / 60, event.text]);
  }
}

/** Return an event in words: a warning is marked as one; of a new state its name comes first. */
export function eventText(event) {
  const mark = event.kind === "warning" ? "Warning: " : "";
  const text = event.text.replace(/^[a-z]+ -> ([a-z]+)\. /, (_, state) => `${state[0].toUpperCase()}${state.slice(1)}. `);
  const at = event.on_time_s > 0 ? ` (${clockwork(event.on_time_s)} on)` : "";
  return mark + printed(text) + at;
}
