// Rig: sensor, relay, logbook, version, address, and the paired phones.

import { button, h, pairs, put } from "../base/dom.js";
import { attempt } from "../frame/commands.js";
import { askToPair } from "../frame/pairing.js";
import { fixed, moment, printed, spoken, withUnit } from "../base/numbers.js";
import { get, getPatiently, path, post } from "../base/server.js";
import { text } from "../base/text.js";
import { backupPart } from "./backup.js";
import { callsPart } from "./calls.js";
import { checkLine, machineNotes, verdictOf } from "./check.js";

/** Build the screen. */
export function rigScreen(store, shared) {
  const view = {
    now: h("div", {}),
    verdict: h("p", { class: "verdict", role: "status" }),
    checks: h("ol", { class: "checks" }),
    notes: h("div", {}),
    health: h("div", {}),
    pairing: h("div", {}),
    paired: h("div", {}),
    calls: callsPart(shared.play),
    backup: h("div", {}),
  };
  const heading = (name) => h("h2", {}, text(`rig.${name}`));
  const again = button(text("check.again"), () => fetchCheck(view));
  const element = h(
    "div",
    { class: "screen screen-rig" },
    h("h1", {}, text("rig.heading")),
    h(
      "div",
      { class: "rig" },
      h("div", {}, heading("right_now"), view.now, heading("service"), view.health),
      h("div", {}, heading("check"), view.verdict, view.checks, again, view.notes, view.backup),
      h("div", {}, heading("phones"), view.pairing, view.paired),
      view.calls.element,
    ),
  );
  let isSeen = false;
  const show = (status) => showNow(view, status, shared.plan ?? store.record?.plan ?? null);
  store.on("status", (status) => isSeen && show(status));
  return {
    element,
    enter: () => {
      isSeen = true;
      if (store.status !== null) show(store.status);
      return Promise.all([fetchCheck(view), fetchHealth(view), fetchPairing(view)]);
    },
    leave: () => {
      isSeen = false;
    },
  };
}

/** Return what is read right now, as [term, value] pairs. */
function readingsOf(status, plan) {
  const zero_ma = status.zero_offset_a === null ? null : status.zero_offset_a * 1000;
  const bath = withUnit(status.bath_degc, 1, "\u00b0C");
  const isSilent = status.sensor_message !== null;
  const sensor = isSilent ? printed(status.sensor_message) : text("rig.sensor_answers");
  const values = {
    sensor,
    age: withUnit(status.sample_age_s, 2, "s"),
    current: withUnit(status.current_a, 3, "A"),
    cell_voltage: withUnit(status.voltage_v, 2, "V"),
    zero_offset: zero_ma === null ? text("rig.zero_not_measured") : withUnit(zero_ma, 2, "mA"),
    headroom: headroomOf(plan),
    relay_output: text(status.relay_on ? "rig.reads_on" : "rig.reads_off"),
    relay_contact: text(status.relay_welded ? "rig.welded" : "rig.not_welded"),
    bath: status.bath_degc === null ? text("rig.no_thermometer") : bath,
  };
  return Object.entries(values).map(([name, value]) => [text(`rig.${name}`), value]);
}

function headroomOf(plan) {
  if (plan === null) return text("rig.headroom_without_plan");
  return text("rig.headroom_at", { percent: fixed(100 * plan.range_fraction, 0) });
}

/** Show the readings. The lines stay; only their values change. */
function showNow(view, status, plan) {
  const values = readingsOf(status, plan);
  const shown = view.now.querySelectorAll("dd");
  if (shown.length === values.length) {
    values.forEach(([, value], index) => put(shown[index], value));
  } else {
    view.now.replaceChildren(pairs(values, { class: "pairs live" }));
  }
}

async function fetchCheck(view) {
  try {
    const check = await getPatiently("/api/rig-check");
    put(view.verdict, verdictOf(check));
    view.checks.replaceChildren(...check.items.map(checkLine));
    view.notes.replaceChildren(...machineNotes(check, "h3"));
  } catch (error) {
    put(view.verdict, error.message);
  }
}

async function fetchHealth(view) {
  try {
    view.health.replaceChildren(pairs(healthOf(await getPatiently("/api/health"))));
  } catch (error) {
    if (error.body?.loop !== undefined) {
      const reasons = error.body.reasons.map((reason) => h("p", { class: "problem" }, reason));
      view.health.replaceChildren(...reasons, pairs(healthOf(error.body)));
      return;
    }
    view.health.replaceChildren(h("p", { class: "problem" }, error.message));
  }
}

/** Return the health of the service, as [term, value] pairs. */
function healthOf({ loop, logbook, rig, version }) {
  const watchdog = text("rig.watchdog_fed", { seconds: fixed(loop.watchdog_s, 1) });
  const writes = text(logbook.ready ? "rig.logbook_writes" : "rig.logbook_checking");
  const values = {
    control_loop: text("rig.loop_alive", { seconds: fixed(loop.silent_s, 2) }),
    watchdog: loop.watchdog_s === null ? text("rig.no_watchdog") : watchdog,
    logbook: logbook.message ?? logbook.notice ?? writes,
    rows_waiting: fixed(logbook.waiting, 0),
    rows_lost: lostOf(logbook),
    kind: text(rig === "rehearsal" ? "rig.rehearsal" : "rig.real"),
    version,
    address: location.origin,
  };
  return Object.entries(values).map(([name, value]) => [text(`rig.${name}`), value]);
}

function lostOf({ lost, lost_note }) {
  if (lost === 0) return fixed(0, 0);
  return lost_note === null
    ? fixed(lost, 0)
    : text("rig.lost_because", { lost, reason: lost_note });
}

async function fetchPairing(view) {
  try {
    const access = await getPatiently("/api/access");
    view.pairing.replaceChildren(
      ...(access.may_control ? await invitation(view) : notPaired(view)),
    );
    view.backup.replaceChildren(...(access.may_control ? backupPart() : []));
    await Promise.all([fetchPaired(view, access), view.calls.fetch(access.may_control)]);
  } catch (error) {
    view.pairing.replaceChildren(h("p", { class: "problem" }, error.message));
  }
}

function notPaired(view) {
  return [
    h("p", {}, text("rig.not_paired")),
    button(text("rig.pair"), async () => (await askToPair()) && fetchPairing(view)),
  ];
}

/** Return what another phone needs: the QR code with the address and the PIN. */
async function invitation(view) {
  const { pin, addresses, qr_svg, valid_s } = await get("/api/pairing");
  const left = spoken(Math.max(60, valid_s));
  const renew = async () => (await attempt(() => post("/api/pairing/new"))) && fetchPairing(view);
  const spaced = `${pin.slice(0, 3)} ${pin.slice(3)}`;
  const alt = text("rig.qr", { address: addresses[0] });
  const picture = h("img", { class: "qr", alt, width: "220", height: "220" });
  picture.src = `data:image/svg+xml,${encodeURIComponent(qr_svg)}`;
  return [
    h("p", {}, text("rig.invitation")),
    picture,
    h("p", { class: "pin" }, text("rig.pin", { pin: spaced })),
    h("p", { class: "quiet" }, text("rig.pin_ends", { left })),
    button(text("rig.new_pin"), renew),
    h(
      "ul",
      { class: "addresses" },
      addresses.map((address) => h("li", {}, address)),
    ),
  ];
}

async function fetchPaired(view, access) {
  if (!access.may_control) return view.paired.replaceChildren();
  const { pairings } = await get("/api/pairings");
  const rows = pairings.map((known) => pairedRow(view, known));
  const none = h("p", { class: "quiet" }, text("app.none"));
  const list = rows.length === 0 ? none : h("ul", { class: "paired" }, rows);
  return view.paired.replaceChildren(h("h3", {}, text("rig.paired")), list);
}

function pairedRow(view, known) {
  const address = known.is_this_one ? "/api/unpair" : path("pairings", known.pairing_id, "revoke");
  const revoke = async () => (await attempt(() => post(address))) && fetchPairing(view);
  const name = known.is_this_one ? text("rig.this_one", { name: known.name }) : known.name;
  const label = text("rig.revoke_this", { name });
  const time = moment(known.expires_at_utc);
  const from = known.paired_from;
  const place = from === null ? "" : text("rig.paired_from", { from });
  const until = `${text("rig.until", { time })}${place}`;
  return h(
    "li",
    {},
    h("span", {}, name),
    h("span", { class: "quiet" }, until),
    button(text("rig.revoke"), revoke, { "aria-label": label }),
  );
}
