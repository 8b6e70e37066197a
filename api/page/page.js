// The first plain page: live status by server-sent events, Stop by POST. Numbers that are old look old.
const STALE_MS = 3000;
const field = (id) => document.getElementById(id);
const show = (id, value, digits) => { field(id).textContent = value === null ? "-" : digits === undefined ? value : value.toFixed(digits); };
let heardAt = performance.now();

function render(status) {
  heardAt = performance.now();
  show("state", status.reason ? `${status.state}: ${status.reason.replaceAll("_", " ")}` : status.state);
  show("depth", status.depth_mm, 3);
  show("target", status.target_depth_mm, 3);
  show("low", status.depth_low_mm, 3);
  show("high", status.depth_high_mm, 3);
  show("current", status.current_a, 2);
  show("voltage", status.voltage_v, 2);
  show("charge", status.charge_coulombs, 0);
  show("relay", status.relay_on ? "on" : "off");
  const left = status.remaining_s;
  show("left", left === null ? null : `${Math.floor(left / 60)}:${String(Math.floor(left % 60)).padStart(2, "0")}`);
  field("message").textContent = status.message ?? "";
  document.title = `${status.depth_mm === null ? "" : status.depth_mm.toFixed(3) + " mm "}${status.state} - biteclock`;
}

const stream = new EventSource("/api/events");
stream.onmessage = (event) => render(JSON.parse(event.data));

setInterval(() => {
  const silent = (performance.now() - heardAt) / 1000;
  document.body.classList.toggle("stale", silent * 1000 > STALE_MS);
  field("heard").textContent = silent * 1000 > STALE_MS ? `last heard ${Math.round(silent)} s ago` : "";
}, 500);

field("stop").addEventListener("click", async () => {
  try {
    const answer = await (await fetch("/api/stop", { method: "POST" })).json();
    field("message").textContent = answer.message;
  } catch {
    field("message").textContent = "Stop did not reach the controller: use the emergency stop in the supply.";
  }
});
