// News from the bench: one stream while the page is seen, a look now and then while it is not, and no giving up.

export const STALE_MS = 3000;
const REOPEN_MS = 6000;
const LOOK_MS = 500;
const HIDDEN_LOOK_MS = 5000;

/**
 * Keeps one stream of server-sent events open while the page is seen.
 *
 * onStatus(status): a new status. onNews(): the loop is alive, nothing changed. onTrouble(message): the loop is not alive.
 * onLook(silentMs, isFresh): twice a second; numbers are live only while isFresh.
 */
export class LiveLink {
  constructor({ onStatus, onNews, onTrouble, onLook, fetchStatus }) {
    Object.assign(this, { onStatus, onNews, onTrouble, onLook, fetchStatus });
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

  /** Milliseconds since the last news, or null before the first. */
  silentMs() {
    return this.heardAt === null ? null : Date.now() - this.heardAt;
  }

  /** Take up the stream anew when the page is seen; look now and then when it is not. */
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
      this.onNews();
    } else {
      this.onTrouble(heartbeat.message);
    }
    this.look();
  }

  /** Ask once, without the stream; an answer that the stream has overtaken is dropped. */
  async refetch() {
    const before = this.messages;
    try {
      const status = await this.fetchStatus();
      if (this.messages === before) this.hear(status);
    } catch (error) {
      if (error.kind === "loop-not-alive") this.onTrouble(error.message);
      if (error.kind === "pairing-needed") this.onTrouble("this phone may no longer look. Pair it on the Rig screen");
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
