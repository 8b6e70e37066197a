// Prepare: tell the piece, see the plan change while typing.

import { button, h, mark, put } from "../base/dom.js";
import { say } from "../base/announcer.js";
import { printed } from "../base/numbers.js";
import { PlanPanel } from "../prepare/plan_panel.js";
import { PrepareForm } from "../prepare/form.js";
import { post, RefusedError } from "../base/server.js";

const AFTER_MS = 250;
const AGAIN_MS = 2000;
const BUSY = 503;

/** Where a note about a value is shown, when it has no field of its own name. */
const BESIDE = { growth_mm2: "artwork", narrow_lines: "artwork", narrowest_open_mm: "artwork", area_uncertainty_fraction: "artwork", bath_volume_l: "bath" };

/** Build the screen. shared.draft is what was typed; shared.plan and shared.wish follow. */
export function prepareScreen(bench, shared) {
  const panel = new PlanPanel();
  const form = new PrepareForm(() => changed());
  const next = h("a", { class: "button primary wide", href: "#check" }, "Next: check the rig");
  const problem = h("p", { class: "problem", role: "alert" });
  next.addEventListener("click", async (event) => {
    if (shared.plan !== null) return;
    event.preventDefault();
    clearTimeout(timer);
    await replan();
    if (shared.plan !== null) {
      location.hash = "#check";
    } else {
      put(problem, "There is no plan yet: put right what is marked.");
      form.leadToProblem();
    }
  });
  const element = h(
    "div",
    { class: "screen screen-prepare" },
    h("h1", {}, "Prepare a piece"),
    panel.line,
    h("div", { class: "prepare" }, h("form", { class: "prepare-form", novalidate: true, onsubmit: (event) => event.preventDefault() }, form.parts),
      h("section", { class: "prepare-plan", "aria-labelledby": "plan-title" }, panel.element, problem, next, button("Begin with an empty form", () => fill(null), { class: "wide" }), panel.warnings)),
  );
  let timer = null;
  let asked = 0;

  /** What was planned before holds no longer, and nothing is started from it. */
  function changed() {
    Object.assign(shared, { plan: null, wish: null });
    asked += 1;
    shared.draft = form.read();
    shared.keep();
    clearTimeout(timer);
    timer = setTimeout(replan, AFTER_MS);
  }

  async function replan() {
    const { wish, missing } = form.wish();
    asked += 1;
    const own = asked;
    if (Object.keys(missing).length > 0) {
      const needed = Object.entries(missing).filter(([, text]) => text !== "needed");
      lack(needed.map(([field, message]) => ({ field, message })), "Fill in what is missing: the plan follows while you type.");
      return;
    }
    try {
      const plan = await post("/api/plan", wish);
      if (own === asked) take(plan, wish);
    } catch (error) {
      if (own !== asked) return;
      const errors = error instanceof RefusedError ? error.errors : [];
      lack(errors, errors.length === 0 ? error.message : "Something cannot be done: it is marked beside its field.");
      if (!(error instanceof RefusedError) || error.status === BUSY) timer = setTimeout(replan, AGAIN_MS);
    }
  }

  function take(plan, wish) {
    Object.assign(shared, { plan, wish });
    put(problem, "");
    form.tell(plan.warnings.map(({ field, text }) => ({ field: placed(field), text, kind: "warn" })));
    form.offer(plan);
    panel.show(plan);
    mark(next, "aria-disabled", null);
  }

  function lack(errors, why) {
    Object.assign(shared, { plan: null, wish: null });
    form.tell(errors.map(({ field, message }) => ({ field: placed(field), text: message, kind: "bad" })));
    panel.lack(why);
    mark(next, "aria-disabled", "true");
    if (errors.length > 0) say(printed(errors[0].message));
  }

  const placed = (field) => {
    const name = field.split(".")[0];
    return BESIDE[name] ?? name;
  };

  function fill(draft) {
    shared.draft = draft ?? shared.empty();
    shared.keep();
    form.write(shared.draft);
    replan();
  }

  shared.fill = fill;
  return {
    element,
    enter: () => {
      form.write(shared.draft);
      return form.fetch().then(replan);
    },
  };
}
