// Puts the page together.

import { announce } from "./base/announcer.js";
import { StatusStore } from "./frame/status_store.js";
import { beginScreen } from "./screens/begin.js";
import { byId } from "./base/dom.js";
import { checkScreen } from "./screens/check.js";
import { EMPTY, keepDraft, keptDraft } from "./prepare/draft.js";
import { keepFrame } from "./frame/frame.js";
import { LiveLink } from "./base/live.js";
import { Router } from "./base/router.js";
import { keepPrompt } from "./frame/prompt.js";
import { askToPair, pinInAddress } from "./frame/pairing.js";
import { nowScreen } from "./screens/now.js";
import { prepareScreen } from "./screens/prepare.js";
import { runsScreen } from "./screens/runs.js";
import { get } from "./base/server.js";
import { Sounder } from "./base/sound.js";
import { text } from "./base/text.js";
import { followRun } from "./frame/meant_for.js";
import { armStop, showNews } from "./frame/stop.js";
import { keepTab } from "./frame/tab.js";
import { keepTrip } from "./frame/trip.js";
import { keepWarnings } from "./frame/warning_card.js";

const FONT_PATIENCE_MS = 1500;

/** Time after which the screens that are not needed at once are loaded, ms. */
const LATER_MS = 4000;

armStop();

const store = new StatusStore();
keepFrame(store);
followRun(store);
keepPrompt(store);
keepTrip(store);
keepWarnings(store);
keepTab(store);
announce(store);
const sounder = new Sounder(store, () => showNews(text("calls.name.two_minutes_left")));

/** Load the pictures of a plate, which are not part of the first load. */
const pictures = async () =>
  (await import("./pictures/plate/plate_pictures.js")).PlatePictures;

/** What Prepare, the rig check and Start share: what was typed, the plan and its request. */
const shared = {
  draft: keptDraft(),
  plan: null,
  request: null,
  keep: () => keepDraft(shared.draft),
  empty: () => ({ ...EMPTY }),
  play: (call) => sounder.play(call),
  pictures,
};

/** The screens that are not part of the first load: {name: load the module, build the screen}. */
const later = {
  gauge: async () => (await import("./screens/gauge.js")).gaugeScreen(store, pictures),
  run: async () => (await import("./screens/run.js")).runScreen(store, shared),
  compare: async () => (await import("./screens/compare.js")).compareScreen(),
  sheet: async () => (await import("./screens/printout.js")).printoutScreen(),
  rig: async () => (await import("./screens/rig.js")).rigScreen(store, shared),
};

const router = new Router(
  {
    now: () => nowScreen(store, pictures),
    prepare: () => prepareScreen(store, shared),
    check: () => checkScreen(store, shared),
    begin: () => beginScreen(store, shared),
    runs: () => runsScreen(),
    ...later,
  },
  "now",
);

const live = new LiveLink({
  onStatus: (status) => store.take(status),
  onHeartbeat: () => store.noteHeartbeat(),
  onTrouble: (message) => store.noteTrouble(message),
  onLook: (silentMs, isFresh) => store.look(silentMs, isFresh),
  fetchStatus: () => get("/api/status"),
});

for (const link of document.querySelectorAll(".skip")) {
  link.addEventListener("click", (event) => {
    event.preventDefault();
    byId(link.hash.slice(1)).focus();
  });
}

// Load the typeface first, so that nothing is laid out twice.
const patience = new Promise((resolve) => setTimeout(resolve, FONT_PATIENCE_MS));
await Promise.race([document.fonts.load("1rem Hyperlegible"), patience]);
const pin = pinInAddress();
router.start();
live.start();
setTimeout(() => router.prepare(Object.keys(later)), LATER_MS);

/** Ask for the PIN when this phone has scanned one, or needs one to look. */
async function offerToPair(scannedPin) {
  const access = await get("/api/access").catch(() => null);
  if (access === null || access.may_control) return;
  if (scannedPin === null && access.may_view) return;
  if (await askToPair(scannedPin ?? "")) live.turn();
}

window.addEventListener("hashchange", () => {
  const scanned = pinInAddress();
  if (scanned !== null) offerToPair(scanned);
});
offerToPair(pin);
