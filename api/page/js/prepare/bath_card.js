// The bath's card: what is in the bath, how strong its acid is, and what a coupon showed.

import { closeDialog, openDialog } from "../base/dialog.js";
import { button, h, put, single } from "../base/dom.js";
import { field, numberField, textField } from "../base/field.js";
import { fixed, numberIn } from "../base/numbers.js";
import { post, RefusedError } from "../base/server.js";
import { text } from "../base/text.js";
import { metalOf } from "../base/words.js";
import { attempt } from "../frame/commands.js";
import { couponPart } from "./coupon.js";

const ATTACK = {
  metal: "bath.attack_metal",
  strength: "bath.attack_strength",
  coupon: "bath.attack_coupon",
};

/** Ask for a bath, a new one or changes to a known one. Resolves to it, or to null. */
export function askForBath(metal, known = null) {
  return new Promise((resolve) => {
    const name = textField(text("bath.name"), text("bath.name_hint"), 60);
    const acid = textField(text("bath.acid"), text("bath.acid_hint"), 80);
    const volume = numberField(text("bath.volume"), "L", text("bath.volume_hint"));
    const madeUp = field(text("bath.made_up_on"), h("input", { type: "date" }));
    const water = numberField(text("bath.water"), "", text("bath.water_hint"));
    const bottle = numberField(text("bath.bottle"), "%", text("bath.bottle_hint"));
    const usual = numberField(text("bath.usual"), "\u00b0C", text("bath.usual_hint"));
    const problem = h("p", { class: "problem", role: "alert" });
    const attack = h("p", { class: "quiet" });
    let latest = known;
    fill(known);

    function fill(bath) {
      if (bath === null) return;
      const typed = (value) => (value === null ? "" : String(value));
      name.input.value = bath.name;
      name.input.readOnly = true;
      acid.input.value = bath.acid;
      volume.input.value = typed(bath.volume_l);
      madeUp.input.value = bath.made_up_on ?? "";
      water.input.value = typed(bath.water_parts);
      bottle.input.value = typed(bath.bottle_percent);
      usual.input.value = typed(bath.usual_degc);
      put(attack, attackOf(bath));
    }

    const finish = (bath) => {
      closeDialog(dialog);
      dialog.remove();
      resolve(bath);
    };
    const save = async () => {
      const request = {
        name: name.input.value.trim(),
        metal,
        acid: acid.input.value.trim(),
        volume_l: numberIn(volume.input.value),
        made_up_on: madeUp.input.value || null,
        water_parts: numberIn(water.input.value),
        bottle_percent: numberIn(bottle.input.value),
        usual_degc: numberIn(usual.input.value),
        note: known?.note ?? "",
      };
      const bath = await kept("/api/baths", request, problem);
      if (bath !== null) finish(bath);
    };
    const coupon =
      known === null
        ? null
        : couponPart(async (weighed, couponProblem) => {
            const request = { ...weighed, bath: known.name };
            const bath = await kept("/api/coupons", request, couponProblem);
            if (bath === null) return false;
            latest = bath;
            put(attack, attackOf(bath));
            return true;
          });
    const title = known === null ? text("bath.new_title") : text("bath.card");
    const leave = () => finish(latest === known ? null : latest);
    const dialog = h(
      "dialog",
      { "aria-labelledby": "bath-title", oncancel: leave },
      h(
        "form",
        { class: "stack", onsubmit: single(save) },
        h("h2", { id: "bath-title" }, title),
        h("p", {}, text("bath.one_metal", { metal: metalOf(metal) })),
        name.element,
        acid.element,
        h("div", { class: "two" }, volume.element, madeUp.element),
        h("div", { class: "two" }, water.element, bottle.element),
        usual.element,
        attack,
        problem,
        h("button", { type: "submit", class: "primary wide" }, text("bath.keep")),
        button(text("bath.not_now"), leave, { class: "wide" }),
      ),
      coupon,
    );
    document.body.append(dialog);
    openDialog(dialog);
  });
}

/** Post a request and return the bath of the answer; a refusal goes into the problem line. */
async function kept(path, request, problem) {
  put(problem, "");
  const refused = (error) => {
    if (!(error instanceof RefusedError) || error.kind === "pairing-needed") throw error;
    put(problem, error.message);
    return null;
  };
  const bath = await attempt(() => post(path, request).catch(refused));
  return bath === null ? null : (bath.bath ?? bath);
}

/** Return what is known of the acid's own bite. */
function attackOf(bath) {
  return text(ATTACK[bath.attack_source], {
    um_per_min: fixed(bath.attack_um_per_min, 2),
    low_um_per_min: fixed(bath.attack_low_um_per_min, 2),
    high_um_per_min: fixed(bath.attack_high_um_per_min, 2),
  });
}
