// What the page knows of the bench: the newest status, whether it is live, and the papers of the run on it.

import { get, path } from "../base/server.js";

const PAPERS_AGAIN_MS = 1500;

/** The newest knowledge, and those who want to hear of it. */
export class Bench {
  constructor() {
    this.status = null;
    this.isFresh = false;
    this.silentMs = null;
    this.trouble = null;
    this.papers = null;
    this.listeners = { status: new Set(), freshness: new Set(), papers: new Set(), state: new Set(), plate: new Set() };
    this.isLeftIn = false;
  }

  /** Listen for "status", "freshness", "papers", "state" or "plate"; returns how to stop. */
  on(what, listener) {
    this.listeners[what].add(listener);
    return () => this.listeners[what].delete(listener);
  }

  tell(what, ...news) {
    for (const listener of this.listeners[what]) listener(...news);
  }

  take(status) {
    const before = this.status;
    this.status = status;
    this.trouble = null;
    if (status.run_id !== (before?.run_id ?? null) || status.run_in_logbook !== before?.run_in_logbook) this.fetchPapers(status.run_id);
    this.tell("status", status);
    if (before === null || before.state !== status.state || before.reason !== status.reason || before.run_id !== status.run_id) {
      this.isLeftIn = false;
      this.tell("state", status, before);
    }
  }

  /** The loop is alive and has nothing new. */
  hearNoNews() {
    this.trouble = null;
  }

  /** The loop is not alive: what is shown is old. */
  hearTrouble(message) {
    this.trouble = message;
  }

  look(silentMs, isFresh) {
    this.silentMs = silentMs;
    this.isFresh = isFresh && this.trouble === null;
    this.tell("freshness", this.isFresh, silentMs);
  }

  /** A person said here that the plate was left in the bath: no need to ask again until something changes. */
  sayLeftIn() {
    this.isLeftIn = true;
    this.tell("plate");
  }

  /** Return where the plate is without current: "in" or "out" of the bath. */
  plateIs() {
    return this.status?.in_bath_without_current ? "in" : "out";
  }

  /** Return whether somebody should say where the plate is. */
  asksForPlate() {
    return this.plateIs() === "in" && !this.isLeftIn;
  }

  /** Fetch plan and settings of the run on the bench as soon as the logbook has them. */
  async fetchPapers(runId) {
    this.papers = null;
    this.tell("papers", null);
    if (runId === null || !this.status.run_in_logbook) return;
    try {
      const papers = await get(path("runs", runId));
      if (this.status.run_id === runId) {
        this.papers = papers;
        this.tell("papers", papers);
      }
    } catch {
      setTimeout(() => this.status.run_id === runId && this.papers === null && this.fetchPapers(runId), PAPERS_AGAIN_MS);
    }
  }

  /** Fetch the papers again: a reading changes the plan of the present run. */
  refresh() {
    return this.fetchPapers(this.status?.run_id ?? null);
  }
}
