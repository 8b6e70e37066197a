// The newest status: a stream while the page is visible, a request now and then while it is not.

import { text } from "./text.js";

export const STALE_MS = 3000;
const REOPEN_MS = 6000;
const LOOK_MS = 500;
const HIDDEN_LOOK_MS = 5000;

/**
 * Keeps one stream of server-sent events open while the page is visible, and never gives up.
 *
 * onStatus(status): a new status. onHeartbeat(): the loop is alive and nothing changed.
 * onTrouble(message): the loop is not alive. onLook(silentMs, isFresh): twice a second; numbers
 * are live only while isFresh.
 */
export class LiveLink {
  constructor({ onStatus, onHeartbeat, onTrouble, onLook, fetchStatus }) {
    Object.assign(this, { onStatus, onHeartbeat, onTrouble, onLook, fetchStatus });
    this.source = null;
    this.heardAt = null;
    this.openedAt = 0;
    this.messages = 0;
    this.hiddenTimer = null;
  }

  start() {
    document.addEventListener("visibilitychange", () => this.turn());
    window.addEventListener("pageshow", () => this.turn());
    window.addEventListener("pagehide", () => this.close());
    window.addEventListener("online", () => this.turn());
    setInterval(() => this.look(), LOOK_MS);
    this.turn();
  }

  /** Return the milliseconds since the bench was last heard, or null before that. */
  silentMs() {
    return this.heardAt === null ? null : Date.now() - this.heardAt;
  }

  /** Open the stream again when the page is visible; ask now and then when it is not. */
  turn() {
    clearTimeout(this.hiddenTimer);
    if (document.hidden) {
      this.close();
      this.lookHidden();
    } else {
      this.open();
      this.refetch();
    }
  }

  open() {
    this.close();
    this.openedAt = Date.now();
    const source = new EventSource("/api/events");
    source.onmessage = (event) => this.hear(JSON.parse(event.data));
    source.addEventListener("heartbeat", (event) => this.beat(JSON.parse(event.data)));
    this.source = source;
  }

  close() {
    if (this.source !== null) this.source.close();
    this.source = null;
  }

  hear(status) {
    this.messages += 1;
    this.heardAt = Date.now();
    this.onStatus(status);
    this.look();
  }

  beat(heartbeat) {
    this.messages += 1;
    if (heartbeat.loop_alive) {
      this.heardAt = Date.now();
      this.onHeartbeat();
    } else {
      this.onTrouble(heartbeat.message);
    }
    this.look();
  }

  /** Ask once, without the stream. An answer that the stream has overtaken is dropped. */
  async refetch() {
    const before = this.messages;
    try {
      const status = await this.fetchStatus();
      if (this.messages === before) this.hear(status);
    } catch (error) {
      if (error.kind === "loop-not-alive") this.onTrouble(error.message);
      if (error.kind === "pairing-needed") this.onTrouble(text("server.may_not_look"));
    }
  }

  async lookHidden() {
    await this.refetch();
    this.look();
    if (document.hidden) this.hiddenTimer = setTimeout(() => this.lookHidden(), HIDDEN_LOOK_MS);
  }

  look() {
    const silent = this.silentMs();
    const patience = document.hidden ? STALE_MS + HIDDEN_LOOK_MS : STALE_MS;
    this.onLook(silent, silent !== null && silent <= patience);
    const isSilent = silent === null || silent > REOPEN_MS;
    if (!document.hidden && isSilent && Date.now() - this.openedAt > REOPEN_MS) {
      this.open();
      this.refetch();
    }
  }
}
