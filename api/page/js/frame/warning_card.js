// What a person should know now, above the commands on every screen until it has been seen. Nothing else moves for it.

import { say } from "../base/announcer.js";
import { button, byId, h, put, show } from "../base/dom.js";
import { sentence } from "../base/field.js";
import { printed } from "../base/numbers.js";
import { shape } from "../base/shapes.js";

/** Keep the card up to date. The same warning with other numbers is the same warning. */
export function keepWarnings(bench) {
  const [box, text] = [byId("warnings"), h("p", {})];
  let told = "";
  let seen = "";
  const update = () => show(box, told !== "" && told !== seen);
  box.append(shape("warning"), text, button("Seen", () => {
    seen = told;
    update();
  }));
  bench.on("status", (status) => {
    const logbook = status.logbook_ready ? status.logbook_message : null;
    const words = [logbook, ...status.warnings].filter(Boolean).map((said) => sentence(printed(said))).join(" ");
    put(text, words);
    const kind = words.replace(/[\d.,\u2212]+/g, "#");
    if (kind === told) return;
    told = kind;
    if (kind === "") seen = "";
    else say(words);
    update();
  });
}
