// What the page knows of the bench: the newest status, whether it is live, and the record of the
// run on it.

import { get, path } from "../base/server.js";

const RECORD_AGAIN_MS = 1500;

/** Holds the status and notifies listeners. */
export class StatusStore {
  constructor() {
    this.status = null;
    this.isFresh = false;
    this.silentMs = null;
    this.trouble = null;
    this.record = null;
    this.listeners = {
      status: new Set(),
      freshness: new Set(),
      record: new Set(),
      state: new Set(),
      plate: new Set(),
    };
    this.isLeftIn = false;
  }

  /** Listen for "status", "freshness", "record", "state" or "plate"; return how to stop. */
  on(what, listener) {
    this.listeners[what].add(listener);
    return () => this.listeners[what].delete(listener);
  }

  notify(what, ...values) {
    for (const listener of this.listeners[what]) listener(...values);
  }

  take(status) {
    const before = this.status;
    this.status = status;
    this.trouble = null;
    const isOtherRun = status.run_id !== (before?.run_id ?? null);
    if (isOtherRun || status.run_in_logbook !== before?.run_in_logbook) {
      this.fetchRecord(status.run_id);
    }
    this.notify("status", status);
    const names = ["state", "reason", "run_id"];
    if (before === null || names.some((name) => before[name] !== status[name])) {
      this.isLeftIn = false;
      this.notify("state", status, before);
    }
  }

  /** The loop is alive and nothing changed. */
  noteHeartbeat() {
    this.trouble = null;
  }

  /** The loop is not alive: what is shown is old. */
  noteTrouble(message) {
    this.trouble = message;
  }

  look(silentMs, isFresh) {
    this.silentMs = silentMs;
    this.isFresh = isFresh && this.trouble === null;
    this.notify("freshness", this.isFresh, silentMs);
  }

  /** The plate was left in the bath: do not ask again until something changes. */
  noteLeftIn() {
    this.isLeftIn = true;
    this.notify("plate");
  }

  /** Return where the plate is without current: "in" or "out" of the bath. */
  plateIs() {
    return this.status?.in_bath_without_current ? "in" : "out";
  }

  /** Return whether to ask where the plate is. */
  asksForPlate() {
    return this.plateIs() === "in" && !this.isLeftIn;
  }

  /** Fetch plan and settings of the run on the bench, as soon as the logbook has them. */
  async fetchRecord(runId) {
    this.record = null;
    this.notify("record", null);
    if (runId === null || !this.status.run_in_logbook) return;
    try {
      const record = await get(path("runs", runId));
      if (this.status.run_id === runId) {
        this.record = record;
        this.notify("record", record);
      }
    } catch {
      const again = () => {
        if (this.status.run_id === runId && this.record === null) this.fetchRecord(runId);
      };
      setTimeout(again, RECORD_AGAIN_MS);
    }
  }

  /** Fetch the record again: a reading changes the plan of the present run. */
  refresh() {
    return this.fetchRecord(this.status?.run_id ?? null);
  }
}
