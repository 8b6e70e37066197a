// Warnings, above the commands on every screen until they have been seen. Nothing moves for them.

import { say } from "../base/announcer.js";
import { button, byId, h, put, show } from "../base/dom.js";
import { sentence } from "../base/field.js";
import { printed } from "../base/numbers.js";
import { shape } from "../base/shapes.js";
import { text } from "../base/text.js";

/** Keep the card up to date. The same warning with other numbers is the same warning. */
export function keepWarnings(store) {
  const [box, line] = [byId("warnings"), h("p", {})];
  let shown = "";
  let seen = "";
  const update = () => show(box, shown !== "" && shown !== seen);
  const see = () => {
    seen = shown;
    update();
  };
  box.append(shape("warning"), line, button(text("app.seen"), see));
  store.on("status", (status) => {
    const logbook = status.logbook_ready ? status.logbook_message : null;
    const warnings = [logbook, ...status.warnings].filter(Boolean);
    const words = warnings.map((warning) => sentence(printed(warning))).join(" ");
    put(line, words);
    const kind = words.replace(/[\d.,\u2212]+/g, "#");
    if (kind === shown) return;
    shown = kind;
    if (kind === "") seen = "";
    else say(words);
    update();
  });
}
