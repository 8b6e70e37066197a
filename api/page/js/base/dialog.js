// A sheet asks something above the screens. Pause and Stop below it stay live; a trip closes it.

import { byId } from "./dom.js";

/** Show a dialog; ``cancel`` is called for Escape, another screen and a trip. */
export function openSheet(dialog) {
  document.addEventListener("keydown", cancelOnEscape);  // also when the focus has gone to Stop
  dialog.show();
  coverScreens();
}

export function closeSheet(dialog) {
  document.removeEventListener("keydown", cancelOnEscape);
  dialog.close();
  coverScreens();
}

/** Give up whatever is being asked. */
export function cancelSheets() {
  for (const dialog of document.querySelectorAll("dialog[open]")) dialog.dispatchEvent(new Event("cancel"));
}

/** Take the screens out of reach while a sheet or a trip covers them; the commands stay live. */
export function coverScreens() {
  const isCovered = !byId("trip").hidden || document.querySelector("dialog[open]") !== null;
  for (const part of document.querySelectorAll(".under-trip")) part.inert = isCovered;
}

function cancelOnEscape(event) {
  if (event.key === "Escape") cancelSheets();
}
