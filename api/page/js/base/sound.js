// Sound on this phone for paused, finished and tripped. The lamp and buzzer on the bench are the
// real alarm.

import { byId, mark, put } from "./dom.js";
import { reshape } from "./shapes.js";
import { text } from "./text.js";

const KEPT_AS = "biteclock-sound";
const PATTERNS = {
  paused: { tones_hz: [660, 660], every_ms: 6000 },
  interrupted: { tones_hz: [660, 660], every_ms: 6000 },
  finished: { tones_hz: [660, 880, 1100], every_ms: 6000 },
  tripped: { tones_hz: [980, 740, 980, 740], every_ms: 2000 },
};
const TONE_S = 0.16;
const GAP_S = 0.06;
const OWN_DOING_MS = 3000;

/** Sounds until the next tap; for a trip, until it is acknowledged or muted. */
export class Sounder {
  constructor(store) {
    this.context = null;
    this.isMuted = localStorage.getItem(KEPT_AS) === "muted";
    this.state = null;
    this.timer = null;
    this.touchedAt = 0;
    this.button = byId("sound");
    this.button.addEventListener("click", () => this.mute(!this.isMuted));
    document.addEventListener("pointerdown", () => this.touched(), true);
    document.addEventListener("keydown", () => this.touched(), true);
    store.on("state", (status) => this.turn(status.state));
    this.show();
  }

  touched() {
    this.touchedAt = Date.now();
    if (this.context === null && "AudioContext" in window) this.context = new AudioContext();
    this.context?.resume();
    if (this.state !== "tripped") this.quiet();
  }

  turn(state) {
    this.state = state;
    this.quiet();
    const pattern = PATTERNS[state];
    if (pattern === undefined) return;
    if (state !== "tripped" && Date.now() - this.touchedAt < OWN_DOING_MS) return;
    this.sound(pattern);
    this.timer = setInterval(() => this.sound(pattern), pattern.every_ms);
  }

  quiet() {
    clearInterval(this.timer);
    this.timer = null;
  }

  mute(isMuted) {
    this.isMuted = isMuted;
    localStorage.setItem(KEPT_AS, isMuted ? "muted" : "on");
    this.show();
  }

  show() {
    mark(this.button, "aria-pressed", this.isMuted ? "false" : "true");
    put(byId("sound-word"), text(this.isMuted ? "app.sound_off" : "app.sound_on"));
    reshape(byId("sound-shape"), this.isMuted ? "muted" : "sound");
  }

  sound({ tones_hz }) {
    if (this.context === null || this.context.state !== "running" || this.isMuted) return;
    tones_hz.forEach((tone_hz, index) => {
      const start_s = this.context.currentTime + index * (TONE_S + GAP_S);
      const [oscillator, gain] = [this.context.createOscillator(), this.context.createGain()];
      oscillator.frequency.value = tone_hz;
      gain.gain.setValueAtTime(0, start_s);
      gain.gain.linearRampToValueAtTime(0.25, start_s + 0.02);
      gain.gain.setValueAtTime(0.25, start_s + TONE_S - 0.03);
      gain.gain.linearRampToValueAtTime(0, start_s + TONE_S);
      oscillator.connect(gain).connect(this.context.destination);
      oscillator.start(start_s);
      oscillator.stop(start_s + TONE_S);
    });
  }
}
