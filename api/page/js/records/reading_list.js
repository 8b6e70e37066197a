// The readings of a run with their history. A wrong one is withdrawn, never deleted.

import { attempt } from "../frame/commands.js";
import { h, single, uniqueId } from "../base/dom.js";
import { fixed, moment, withUnit } from "../base/numbers.js";
import { get, path, post } from "../base/server.js";
import { text } from "../base/text.js";
import { PLACES } from "../base/words.js";

/** Return a reading in words. */
export function readingText(reading) {
  if (reading.kind === "weighing") {
    return text("reading.weighed", { mass: withUnit(reading.lost_g, 2, "g") });
  }
  if (reading.kind === "withdrawn") return text("reading.withdrawn", { why: reading.why ?? "" });
  const isKnown = PLACES.some(({ name }) => name === reading.place);
  const datum = reading.from_resist_top ? "resist" : "metal";
  const detail = detailOf(reading);
  return text(`reading.gauged.${datum}.${detail}`, {
    spots_mm: reading.spots_mm.map((mm) => fixed(mm, 3)).join(", "),
    place: isKnown ? text(`reading.place.${reading.place}`) : reading.place,
    floor_mm: fixed(reading.read_depth_mm, 3),
    error_mm: fixed(reading.read_error_mm, 3),
    percent: fixed(100 * (reading.evenness_fraction ?? NaN), 0),
  });
}

function detailOf(reading) {
  if (reading.read_depth_mm == null) return "plain";
  return reading.evenness_fraction == null ? "floor" : "uneven";
}

/** The readings of one run. onchange(): one was withdrawn. */
export class ReadingList {
  constructor(onchange) {
    this.onchange = onchange;
    this.element = h("div", {});
    this.readings = [];
  }

  async fetch(runId) {
    this.runId = runId;
    try {
      this.readings = (await get(path("runs", runId, "readings"))).readings;
    } catch {
      this.readings = [];
    }
    this.show();
  }

  show() {
    const rows = this.readings.map((reading) => this.row(reading));
    const none = h("p", { class: "quiet" }, text("reading.none"));
    const list = h("ul", { class: "reading-list" }, rows);
    this.element.replaceChildren(rows.length === 0 ? none : list);
  }

  row(reading) {
    const isWithdrawal = reading.kind === "withdrawn";
    const isCounted = reading.stands || isWithdrawal;
    const words = h("p", { class: isCounted ? "" : "struck" }, readingText(reading));
    const time = moment(reading.at_utc);
    const at = h("p", { class: "quiet" }, isCounted ? time : text("reading.not_counted", { time }));
    return h("li", {}, words, at, reading.stands ? this.withdrawal(reading) : null);
  }

  withdrawal(reading) {
    const id = uniqueId("why");
    const why = h("input", {
      id,
      type: "text",
      maxlength: "200",
      required: true,
      autocomplete: "off",
    });
    const send = async () => {
      if (why.value.trim() === "") return why.focus();
      const address = path("runs", this.runId, "readings", reading.reading_id, "withdraw");
      const answer = await attempt(() => post(address, { why: why.value.trim() }));
      if (answer === null) return undefined;
      await this.fetch(this.runId);
      return this.onchange(answer);
    };
    const form = h(
      "form",
      { class: "stack", onsubmit: single(send) },
      h("label", { for: id }, text("reading.why")),
      why,
      h("button", { type: "submit" }, text("reading.withdraw_this")),
    );
    return h("details", {}, h("summary", {}, text("reading.withdraw")), form);
  }

  /** Return the readings that count. */
  counted() {
    return this.readings.filter((reading) => reading.stands);
  }
}
