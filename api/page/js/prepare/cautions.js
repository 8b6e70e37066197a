// The cautions: in full once a day on this phone, then one line that opens them again.

import { h, mark, put, show } from "../base/dom.js";
import { keep, kept } from "../base/kept.js";
import { text } from "../base/text.js";
import { CAUTIONS } from "../base/words.js";

const KEPT_AS = "biteclock.cautions";

/**
 * Build the cautions and the line to tick.
 *
 * onTick is called when the box changes. isTicked(): whether it is ticked. confirm(): note that the
 * person has seen them today. enter(): show them as this day needs it, the box empty.
 */
export function cautionsPart(onTick) {
  const box = h("input", { type: "checkbox", id: "cautions-seen", onchange: onTick });
  const words = h("span", {});
  const heading = h("h2", { id: "cautions-title" }, text("caution.title"));
  const list = h(
    "div",
    { id: "cautions" },
    h("ol", { class: "cautions" }, CAUTIONS.map(line)),
    h("p", { class: "quiet" }, text("caution.first")),
  );
  const open = h(
    "button",
    { type: "button", "aria-controls": "cautions", onclick: () => unfold(list.hidden) },
    "",
  );
  const element = h("section", { "aria-labelledby": "cautions-title" }, heading, open, list);

  function unfold(isOpen) {
    show(list, isOpen);
    mark(open, "aria-expanded", isOpen ? "true" : "false");
    put(open, text(isOpen ? "caution.close" : "caution.open"));
  }

  return {
    element,
    tick: h("label", { class: "check-line", for: "cautions-seen" }, box, words),
    isTicked: () => box.checked,
    confirm: () => {
      keep(KEPT_AS, today());
      box.checked = false;
    },
    enter: () => {
      const isKnown = kept(KEPT_AS) === today();
      show(open, isKnown);
      unfold(!isKnown);
      put(words, text(isKnown ? "begin.confirm_again" : "begin.confirm"));
    },
  };
}

function line([title, words]) {
  return h("li", {}, h("strong", {}, title), h("p", {}, words));
}

/** Return the date on this phone. */
function today() {
  const now = new Date();
  return `${now.getFullYear()}-${now.getMonth() + 1}-${now.getDate()}`;
}
