// The readings of a run with their history; a wrong one is withdrawn, never wiped out.

import { attempt } from "../frame/commands.js";
import { h, single, uniqueId } from "../base/dom.js";
import { fixed, moment, withUnit } from "../base/numbers.js";
import { get, path, post } from "../base/server.js";
import { PLACES } from "../base/words.js";

/** Return a reading in words. */
export function readingText(reading) {
  if (reading.kind === "weighing") return `Weighed: ${withUnit(reading.lost_g, 2, "g")} lost`;
  if (reading.kind === "withdrawn") return `Withdrawn: ${reading.why ?? ""}`;
  const place = PLACES.find(({ name }) => name === reading.place)?.title.toLowerCase() ?? reading.place;
  const spots = reading.spots_mm.map((mm) => fixed(mm, 3)).join(", ");
  const mean = reading.read_depth_mm == null ? "" : `: floor ${fixed(reading.read_depth_mm, 3)} \u00b1 ${fixed(reading.read_error_mm, 3)} mm`;
  const even = reading.evenness_fraction == null ? "" : `, uneven by ${fixed(100 * reading.evenness_fraction, 0)} %`;
  return `Gauged ${spots} mm, ${place}, from ${reading.from_resist_top ? "the resist\u2019s top" : "bare metal"}${mean}${even}`;
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
    this.element.replaceChildren(rows.length === 0 ? h("p", { class: "quiet" }, "No readings yet.") : h("ul", { class: "reading-list" }, rows));
  }

  row(reading) {
    const isWithdrawal = reading.kind === "withdrawn";
    const text = h("p", { class: reading.stands || isWithdrawal ? "" : "struck" }, readingText(reading));
    const at = h("p", { class: "quiet" }, moment(reading.at_utc), reading.stands || isWithdrawal ? "" : ", does not count");
    return h("li", {}, text, at, reading.stands ? this.withdrawal(reading) : null);
  }

  withdrawal(reading) {
    const id = uniqueId("why");
    const why = h("input", { id, type: "text", maxlength: "200", required: true, autocomplete: "off" });
    const send = async () => {
      if (why.value.trim() === "") return why.focus();
      const answer = await attempt(() => post(path("runs", this.runId, "readings", reading.reading_id, "withdraw"), { why: why.value.trim() }));
      if (answer === null) return undefined;
      await this.fetch(this.runId);
      return this.onchange(answer);
    };
    return h("details", {}, h("summary", {}, "Withdraw"), h("form", { class: "stack", onsubmit: single(send) },
      h("label", { for: id }, "Why does it not count?"), why, h("button", { type: "submit" }, "Withdraw this reading")));
  }

  /** Return the readings that count, as marks on the printed sheet. */
  standing() {
    return this.readings.filter((reading) => reading.stands);
  }
}

