// A weighed coupon in three steps: weigh and measure, hang it in the bath, weigh again.

import { button, h, put } from "../base/dom.js";
import { numberField } from "../base/field.js";
import { numberIn } from "../base/numbers.js";
import { text } from "../base/text.js";

/** Return the steps. keep({area_mm2, ...}, problem): whether the daemon kept the coupon. */
export function couponPart(keep) {
  const area = numberField(text("coupon.area"), "cm\u00b2", text("coupon.area_hint"));
  const before = numberField(text("coupon.before"), "g", text("coupon.before_hint"));
  const step = numberField(text("coupon.step"), "g", text("coupon.step_hint"));
  const minutes = numberField(text("coupon.minutes"), "min", text("coupon.minutes_hint"));
  const degc = numberField(text("coupon.degc"), "\u00b0C", text("coupon.degc_hint"));
  const after = numberField(text("coupon.after"), "g", text("coupon.after_hint"));
  const problem = h("p", { class: "problem", role: "alert" });
  const done = h("p", { role: "status" });

  const save = async () => {
    const [weighed, again] = [numberIn(before.input.value), numberIn(after.input.value)];
    if (weighed === null || again === null) {
      put(problem, text("coupon.both_weights"));
      return;
    }
    const request = {
      area_mm2: 100 * (numberIn(area.input.value) ?? 0),
      time_s: 60 * (numberIn(minutes.input.value) ?? 0),
      lost_g: Number((weighed - again).toFixed(6)),
      temperature_degc: numberIn(degc.input.value),
      resolution_g: numberIn(step.input.value) ?? 0.01,
    };
    put(done, (await keep(request, problem)) ? text("coupon.kept") : "");
  };
  const part = (number, ...fields) =>
    h("li", {}, h("p", {}, text(`coupon.step_${number}`)), fields);

  return h(
    "details",
    {},
    h("summary", {}, text("coupon.title")),
    h("p", { class: "quiet" }, text("coupon.why")),
    h(
      "ol",
      {},
      part(1, area.element, h("div", { class: "two" }, before.element, step.element)),
      part(2, h("div", { class: "two" }, minutes.element, degc.element)),
      part(3, after.element),
    ),
    problem,
    done,
    button(text("coupon.keep"), save, { class: "wide" }),
  );
}
