// Pairs this phone. Commands need the PIN once; looking and Stop never do.

import { button, h, put, single } from "../base/dom.js";
import { post } from "../base/server.js";
import { closeDialog, openDialog } from "../base/dialog.js";
import { text } from "../base/text.js";

let dialog = null;
let answer = null;

/** Return the PIN of a scanned code and remove it from the address; null when there is none. */
export function pinInAddress() {
  const found = /^#pin=(\d{6})$/.exec(location.hash);
  if (found === null) return null;
  history.replaceState(null, "", "#now");
  return found[1];
}

/** Ask for the PIN. Resolves to whether this phone is paired now. */
export function askToPair(pin = "") {
  if (dialog === null) build();
  return new Promise((resolve) => {
    answer = resolve;
    put(dialog.querySelector(".problem"), "");
    dialog.querySelector("#pin").value = pin;
    openDialog(dialog);
  });
}

function build() {
  const problem = h("p", { class: "problem", role: "alert" });
  const pin = h("input", {
    id: "pin",
    name: "pin",
    inputmode: "numeric",
    autocomplete: "one-time-code",
    required: true,
  });
  const name = h("input", {
    id: "pin-name",
    name: "name",
    autocomplete: "off",
    maxlength: "40",
    value: guessName(),
    required: true,
  });
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
    { class: "wide-dialog", "aria-labelledby": "pair-title" },
    h(
      "form",
      { class: "stack", onsubmit: single(pair) },
      h("h2", { id: "pair-title" }, text("pairing.title")),
      h("p", {}, text("pairing.explanation")),
      h("div", { class: "field" }, h("label", { for: "pin" }, text("pairing.pin")), pin),
      h("div", { class: "field" }, h("label", { for: "pin-name" }, text("pairing.name")), name),
      problem,
      h("button", { type: "submit", class: "primary wide" }, text("pairing.pair")),
      button(text("pairing.only_look"), () => finish(false), { class: "wide" }),
    ),
  );
  dialog.addEventListener("cancel", () => finish(false));
  document.body.append(dialog);
}

function finish(isPaired) {
  closeDialog(dialog);
  answer?.(isPaired);
  answer = null;
}

function guessName() {
  const agent = navigator.userAgent;
  const known = [
    ["iPhone", "iphone"],
    ["iPad", "ipad"],
    ["Android", "android"],
    ["Macintosh", "mac"],
    ["Windows", "pc"],
  ];
  const name = known.find(([mark]) => agent.includes(mark))?.[1] ?? "phone";
  return text(`pairing.guess.${name}`);
}
