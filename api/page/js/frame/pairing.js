// Pairing this phone: control asks once for the PIN that stands at the bench. Looking and Stop never ask.

import { button, h, put, single } from "../base/dom.js";
import { post } from "../base/server.js";
import { closeSheet, openSheet } from "../base/sheet.js";

let dialog = null;
let answer = null;

/** Return the PIN that a scanned code has left in the address, and take it out of there; null when there is none. */
export function pinInAddress() {
  const found = /^#pin=(\d{6})$/.exec(location.hash);
  if (found === null) return null;
  history.replaceState(null, "", "#now");
  return found[1];
}

/** Ask for the PIN; resolves to whether this phone is paired now. */
export function askToPair(pin = "") {
  if (dialog === null) build();
  return new Promise((resolve) => {
    answer = resolve;
    put(dialog.querySelector(".problem"), "");
    dialog.querySelector("#pin").value = pin;
    openSheet(dialog);
  });
}

function build() {
  const problem = h("p", { class: "problem", role: "alert" });
  const pin = h("input", { id: "pin", name: "pin", inputmode: "numeric", autocomplete: "one-time-code", required: true });
  const name = h("input", { id: "pin-name", name: "name", autocomplete: "off", maxlength: "40", value: guessName(), required: true });
  const pair = async () => {
    try {
      await post("/api/pair", { pin: pin.value.replace(/\s/g, ""), name: name.value.trim() });
      finish(true);
    } catch (error) {
      put(problem, error.message);
      pin.select();
    }
  };
  dialog = h(
    "dialog",
    { class: "sheet-dialog", "aria-labelledby": "pair-title" },
    h(
      "form",
      { class: "stack", onsubmit: single(pair) },
      h("h2", { id: "pair-title" }, "Pair this phone"),
      h("p", {}, "Control asks once for the PIN. It stands in the daemon\u2019s terminal or log at the bench, and on the Rig screen of every "
        + "phone that is paired. Stop never needs it."),
      h("div", { class: "field" }, h("label", { for: "pin" }, "PIN"), pin),
      h("div", { class: "field" }, h("label", { for: "pin-name" }, "Name of this phone"), name),
      problem,
      h("button", { type: "submit", class: "primary wide" }, "Pair"),
      button("Only look", () => finish(false), { class: "wide" }),
    ),
  );
  dialog.addEventListener("cancel", () => finish(false));
  document.body.append(dialog);
}

function finish(isPaired) {
  closeSheet(dialog);
  answer?.(isPaired);
  answer = null;
}

function guessName() {
  const agent = navigator.userAgent;
  const known = [["iPhone", "iPhone"], ["iPad", "iPad"], ["Android", "Android phone"], ["Macintosh", "Mac"], ["Windows", "PC"]];
  return known.find(([mark]) => agent.includes(mark))?.[1] ?? "phone";
}
