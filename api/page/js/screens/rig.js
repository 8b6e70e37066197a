// Rig: sensor, relay, storage, version, address, and who may control.

import { button, h, pairs, put } from "../base/dom.js";
import { attempt } from "../frame/commands.js";
import { askToPair } from "../frame/pairing.js";
import { fixed, moment, printed, withUnit } from "../base/numbers.js";
import { checkLine } from "./check.js";
import { get, getPatiently, path, post } from "../base/server.js";

/** Build the screen. */
export function rigScreen(bench, shared) {
  const view = {
    now: h("div", {}),
    verdict: h("p", { class: "verdict", role: "status" }),
    checks: h("ol", { class: "checks" }),
    notes: h("div", {}),
    health: h("div", {}),
    pairing: h("div", {}),
    paired: h("div", {}),
  };
  const element = h(
    "div",
    { class: "screen screen-rig" },
    h("h1", {}, "Rig"),
    h("div", { class: "rig" },
      h("div", {}, h("h2", {}, "Right now"), view.now, h("h2", {}, "Service"), view.health),
      h("div", {}, h("h2", {}, "Check with the relay off"), view.verdict, view.checks, button("Read again", () => fetchCheck(view)), view.notes),
      h("div", {}, h("h2", {}, "Phones"), view.pairing, view.paired)),
  );
  let isSeen = false;
  const show = (status) => showNow(view, status, shared.plan ?? bench.papers?.plan ?? null);
  bench.on("status", (status) => isSeen && show(status));
  return {
    element,
    enter: () => {
      isSeen = true;
      if (bench.status !== null) show(bench.status);
      return Promise.all([fetchCheck(view), fetchHealth(view), fetchPairing(view)]);
    },
    leave: () => {
      isSeen = false;
    },
  };
}

/** Show the readings that change; the lines stay, only their values are written anew. */
function showNow(view, status, plan) {
  const values = [
    ["Sensor", status.sensor_message === null ? "answers" : printed(status.sensor_message)],
    ["Age of the newest sample", withUnit(status.sample_age_s, 2, "s")],
    ["Current", withUnit(status.current_a, 3, "A")],
    ["Cell voltage", withUnit(status.voltage_v, 2, "V")],
    ["Zero offset", status.zero_offset_a === null ? "not measured yet" : withUnit(status.zero_offset_a * 1000, 2, "mA")],
    ["Shunt headroom", plan === null ? "told with a plan" : `over-current limit at ${fixed(100 * plan.range_fraction, 0)}\u00a0% of the range`],
    ["Relay output", status.relay_on ? "reads on" : "reads off"],
    ["Relay contact", status.relay_welded ? "WELDED: pull the plug" : "not seen welded"],
    ["Bath", status.bath_degc === null ? "no thermometer" : withUnit(status.bath_degc, 1, "\u00b0C")],
  ];
  const shown = view.now.querySelectorAll("dd");
  if (shown.length === values.length) values.forEach(([, value], index) => put(shown[index], value));
  else view.now.replaceChildren(pairs(values, { class: "pairs live" }));
}

async function fetchCheck(view) {
  try {
    const check = await getPatiently("/api/rig-check");
    put(view.verdict, check.passed ? "All that can be checked now is well." : printed(check.message ?? "Something is not well."));
    view.checks.replaceChildren(...check.items.map(checkLine));
    view.notes.replaceChildren(...(check.host_notes.length ? [h("h3", {}, "This machine"), h("ul", {}, check.host_notes.map((text) => h("li", {}, text)))] : []));
  } catch (error) {
    put(view.verdict, error.message);
  }
}

async function fetchHealth(view) {
  try {
    const { loop, logbook, rig, version } = await getPatiently("/api/health");
    view.health.replaceChildren(pairs([
      ["Control loop", `alive, last pass ${fixed(loop.silent_s, 2)} s ago`],
      ["Watchdog", loop.watchdog_s === null ? "none waits: only the service has one" : `fed every ${fixed(loop.watchdog_s, 1)} s`],
      ["Logbook", logbook.message ?? logbook.notice ?? (logbook.ready ? "writes" : "is being checked")],
      ["Rows waiting to be written", fixed(logbook.waiting, 0)],
      ["Rows lost", logbook.lost === 0 ? "none" : `${logbook.lost}: ${logbook.lost_note ?? ""}`],
      ["Bench", rig === "rehearsal" ? "rehearsal, a model" : "real"],
      ["Version", version],
      ["This page\u2019s address", location.origin],
    ]));
  } catch (error) {
    view.health.replaceChildren(h("p", { class: "problem" }, error.message));
  }
}

async function fetchPairing(view) {
  try {
    const access = await getPatiently("/api/access");
    view.pairing.replaceChildren(...(access.may_control ? await invitation() : notPaired(view)));
    await fetchPaired(view, access);
  } catch (error) {
    view.pairing.replaceChildren(h("p", { class: "problem" }, error.message));
  }
}

function notPaired(view) {
  return [
    h("p", {}, "This phone looks and stops. Everything else asks once for the PIN that the bench shows."),
    button("Pair this phone", async () => (await askToPair()) && fetchPairing(view)),
  ];
}

/** Return what another phone needs: the code with address and PIN. */
async function invitation() {
  const { pin, addresses, qr_svg } = await get("/api/pairing");
  const picture = h("img", { class: "qr", alt: `QR code of ${addresses[0]} with the PIN`, width: "220", height: "220" });
  picture.src = `data:image/svg+xml,${encodeURIComponent(qr_svg)}`;
  return [
    h("p", {}, "Another phone on the studio network scans this, or opens the address and gives the PIN."),
    picture,
    h("p", { class: "pin" }, `PIN ${pin.slice(0, 3)} ${pin.slice(3)}`),
    h("ul", { class: "addresses" }, addresses.map((address) => h("li", {}, address))),
  ];
}

async function fetchPaired(view, access) {
  if (!access.may_control) return view.paired.replaceChildren();
  const { pairings } = await get("/api/pairings");
  const rows = pairings.map((known) => pairedRow(view, known));
  return view.paired.replaceChildren(h("h3", {}, "Paired phones"), rows.length === 0 ? h("p", { class: "quiet" }, "None.") : h("ul", { class: "paired" }, rows));
}

function pairedRow(view, known) {
  const address = known.is_this_one ? "/api/unpair" : path("pairings", known.pairing_id, "revoke");
  const revoke = async () => (await attempt(() => post(address))) && fetchPairing(view);
  const name = known.is_this_one ? `${known.name}, this one` : known.name;
  return h("li", {}, h("span", {}, name), h("span", { class: "quiet" }, `until ${moment(known.expires_at_utc)}`), button("Revoke", revoke, { "aria-label": `Revoke ${name}` }));
}
