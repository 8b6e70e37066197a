// A dialog lies above the screens. Pause and Stop below it stay live; a trip closes it.

import { byId } from "./dom.js";

/** Show a dialog. Escape, another screen and a trip send it the event `cancel`. */
export function openDialog(dialog) {
  document.addEventListener("keydown", cancelOnEscape); // the focus may be on Stop
  dialog.show();
  coverScreens();
}

export function closeDialog(dialog) {
  document.removeEventListener("keydown", cancelOnEscape);
  dialog.close();
  coverScreens();
}

/** Cancel every open dialog. */
export function cancelDialogs() {
  for (const dialog of document.querySelectorAll("dialog[open]"))
    dialog.dispatchEvent(new Event("cancel"));
}

/** Make the screens inert while a dialog or a trip covers them; the commands stay live. */
export function coverScreens() {
  const isCovered = !byId("trip").hidden || document.querySelector("dialog[open]") !== null;
  for (const part of document.querySelectorAll(".under-trip")) part.inert = isCovered;
}

function cancelOnEscape(event) {
  if (event.key === "Escape") cancelDialogs();
}
