// Sound on this phone: "come", "lift now", "two minutes left" and the alarm of a trip, the same
// rhythms as the buzzer's. The lamp and buzzer on the bench are the real alarm.

import { keep, kept } from "./kept.js";
import { byId, mark, put } from "./dom.js";
import { reshape } from "./shapes.js";
import { text } from "./text.js";

const KEPT_AS = "biteclock-sound";
const SHORT_S = 0.2;
const LONG_S = 0.7;
const REST_S = 0.15;
const OWN_DOING_MS = 3000;
const TWO_MINUTES_S = 120;

/** Beeps as [pitch in Hz, length in s]; how often, or null for once. */
export const CALLS = {
  come: { beeps: [[660, SHORT_S], [660, SHORT_S], [660, SHORT_S]], everyMs: 6000 },
  lift_now: { beeps: [[880, LONG_S], [880, LONG_S]], everyMs: 6000 },
  two_minutes_left: { beeps: [[520, LONG_S], [520, SHORT_S], [520, SHORT_S]], everyMs: null },
  alarm: {
    beeps: [[980, SHORT_S], [740, SHORT_S], [980, SHORT_S], [740, SHORT_S]], everyMs: 2000,
  },
};

/** Return the call of a state, or null. */
export function callOf(status) {
  const { state, finding } = status;
  if (state === "tripped" || status.relay_welded) return "alarm";
  if (state === "interrupted") return "come";
  if (state === "finished") return "lift_now";
  if (state !== "paused") return null;
  return finding === null && status.gauge_stop_mm !== null ? "lift_now" : "come";
}

/** Sees the time left pass two minutes, once in each run, as the controller does. */
export class TwoMinutes {
  constructor() {
    this.armedFor = null;
    this.calledFor = null;
  }

  hasCome({ state, run_id, remaining_s }) {
    if (state !== "running" || remaining_s === null || run_id === null) return false;
    if (remaining_s > TWO_MINUTES_S) {
      this.armedFor = run_id;
      return false;
    }
    if (this.armedFor !== run_id || this.calledFor === run_id) return false;
    this.calledFor = run_id;
    return true;
  }
}

/** Sounds until the next tap; for a trip, until it is acknowledged or muted. */
export class Sounder {
  /** onTwoMinutes: shows to the eye what the ear may miss. */
  constructor(store, onTwoMinutes = () => {}) {
    this.context = null;
    this.isMuted = kept(KEPT_AS) === "muted";
    this.call = null;
    this.timer = null;
    this.touchedAt = -Infinity;
    this.twoMinutes = new TwoMinutes();
    this.button = byId("sound");
    this.button.addEventListener("click", () => this.mute(!this.isMuted));
    document.addEventListener("pointerdown", () => this.touched(), true);
    document.addEventListener("keydown", () => this.touched(), true);
    store.on("state", (status) => this.turn(callOf(status)));
    store.on("status", (status) => {
      if (!this.twoMinutes.hasCome(status)) return;
      onTwoMinutes();
      this.play("two_minutes_left");
    });
    this.show();
  }

  /** Browsers let a page sound only after it was touched. */
  touched() {
    this.touchedAt = Date.now();
    if (this.context === null && "AudioContext" in window) this.context = new AudioContext();
    this.context?.resume();
    if (this.call !== "alarm") this.quiet();
  }

  turn(call) {
    this.call = call;
    this.quiet();
    if (call === null) return;
    if (call !== "alarm" && Date.now() - this.touchedAt < OWN_DOING_MS) return;
    this.play(call);
    this.timer = setInterval(() => this.play(call), CALLS[call].everyMs);
  }

  quiet() {
    clearInterval(this.timer);
    this.timer = null;
  }

  mute(isMuted) {
    this.isMuted = isMuted;
    keep(KEPT_AS, isMuted ? "muted" : "on");
    this.show();
  }

  show() {
    mark(this.button, "aria-pressed", this.isMuted ? "false" : "true");
    put(byId("sound-word"), text(this.isMuted ? "app.sound_off" : "app.sound_on"));
    reshape(byId("sound-shape"), this.isMuted ? "muted" : "sound");
  }

  /** Shake where the phone can, also when muted, and sound. Return whether it sounds. */
  play(call) {
    const { beeps } = CALLS[call];
    this.shake(beeps);
    if (this.context === null || this.context.state !== "running" || this.isMuted) return false;
    let start_s = this.context.currentTime;
    for (const [pitch_hz, length_s] of beeps) {
      this.beep(pitch_hz, start_s, length_s);
      start_s += length_s + REST_S;
    }
    return true;
  }

  /** Browsers refuse this, too, before the page was touched. */
  shake(beeps) {
    if (!(navigator.userActivation?.hasBeenActive ?? this.touchedAt > -Infinity)) return;
    navigator.vibrate?.(beeps.flatMap(([, length_s]) => [1000 * length_s, 1000 * REST_S]));
  }

  beep(pitch_hz, start_s, length_s) {
    const [oscillator, gain] = [this.context.createOscillator(), this.context.createGain()];
    oscillator.frequency.value = pitch_hz;
    gain.gain.setValueAtTime(0, start_s);
    gain.gain.linearRampToValueAtTime(0.25, start_s + 0.02);
    gain.gain.setValueAtTime(0.25, start_s + length_s - 0.03);
    gain.gain.linearRampToValueAtTime(0, start_s + length_s);
    oscillator.connect(gain).connect(this.context.destination);
    oscillator.start(start_s);
    oscillator.stop(start_s + length_s);
  }
}
