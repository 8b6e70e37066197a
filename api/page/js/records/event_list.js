// The events of a run, oldest first. The list grows at its end, so that nothing jumps.

import { h } from "../base/dom.js";
import { clockwork, printed, timeOfDay } from "../base/numbers.js";
import { get, path, query } from "../base/server.js";
import { text } from "../base/text.js";
import { stateOf } from "../base/words.js";

const AGAIN_MS = [700, 2500];

/** The events of one run, fetched a part at a time. */
export class EventList {
  constructor() {
    this.list = h("ol", { class: "events" });
    this.empty = h("p", { class: "quiet" }, text("event.none"));
    this.element = h("div", {}, this.empty, this.list);
    this.clear(null);
  }

  clear(runId) {
    this.runId = runId;
    this.events = [];
    this.list.replaceChildren();
    this.empty.hidden = false;
  }

  /** Fetch new events, and again a little later: the logbook writes late. */
  follow(runId) {
    if (runId !== this.runId) this.clear(runId);
    if (runId === null) return;
    const again = () => this.fetch(runId).then(() => this.onfetched?.());
    for (const waitMs of AGAIN_MS) setTimeout(again, waitMs);
  }

  /** Fetch all new events. */
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
      const isNew = (event) => event.number > (this.events.at(-1)?.number ?? 0);
      for (const event of part.events) if (isNew(event)) this.add(event);
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
    const changes = this.events.filter(({ kind, on_time_s }) => kind === "state" && on_time_s > 0);
    return changes.map((event) => [event.on_time_s / 60, event.text]);
  }
}

/** Return an event in words. A warning is marked as one; a new state comes first. */
export function eventText(event) {
  const begun = event.text.replace(/^[a-z]+ -> ([a-z]+)\. /, (_, state) => `${stateOf(state)}. `);
  const values = { text: printed(begun), time: clockwork(event.on_time_s) };
  const isLater = event.on_time_s > 0;
  if (event.kind === "warning") return text(isLater ? "event.warning_at" : "event.warning", values);
  return isLater ? text("event.at", values) : values.text;
}
