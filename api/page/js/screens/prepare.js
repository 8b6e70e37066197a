// Prepare: describe the piece, see the plan change while typing.

import { button, h, mark, put } from "../base/dom.js";
import { say } from "../base/announcer.js";
import { printed } from "../base/numbers.js";
import { FilmForm } from "../prepare/film_form.js";
import { PictureBox, plateShown } from "../pictures/picture_box.js";
import { PlanPanel } from "../prepare/plan_panel.js";
import { PrepareForm } from "../prepare/form.js";
import { post, RefusedError } from "../base/server.js";
import { text } from "../base/text.js";

const AFTER_MS = 250;
const AGAIN_MS = 2000;
const BUSY = 503;

/** The field that shows the notes on a value that has none. */
const BESIDE = {
  growth_mm2: "artwork",
  narrow_lines: "artwork",
  narrowest_open_mm: "artwork",
  area_uncertainty_fraction: "artwork",
  bath_volume_l: "bath",
};

/** Build the screen. It writes shared.draft, shared.plan and shared.request. */
export function prepareScreen(store, shared) {
  const panel = new PlanPanel();
  const pictures = new PictureBox(shared.pictures);
  const form = new PrepareForm(() => changed());
  const film = new FilmForm(() => form.artwork.read());
  const next = h("a", { class: "button primary wide", href: "#check" }, text("prepare.next"));
  const problem = h("p", { class: "problem", role: "alert" });
  next.addEventListener("click", async (event) => {
    if (shared.plan !== null) return;
    event.preventDefault();
    clearTimeout(timer);
    await replan();
    if (shared.plan !== null) {
      location.hash = "#check";
    } else {
      put(problem, text("prepare.no_plan"));
      form.leadToProblem();
    }
  });
  const onsubmit = (event) => event.preventDefault();
  const fields = h("form", { class: "prepare-form", novalidate: true, onsubmit }, form.parts);
  const planned = h(
    "section",
    { class: "prepare-plan", "aria-labelledby": "plan-title" },
    panel.element,
    pictures.element,
    problem,
    next,
    button(text("prepare.clear"), () => fill(null), { class: "wide" }),
    film.element,
    panel.warnings,
  );
  const element = h(
    "div",
    { class: "screen screen-prepare" },
    h("h1", {}, text("prepare.heading")),
    panel.line,
    h("div", { class: "prepare" }, fields, planned),
  );
  let timer = null;
  let asked = 0;

  /** Drop the last plan: nothing must start from it. */
  function changed() {
    Object.assign(shared, { plan: null, request: null });
    asked += 1;
    shared.draft = form.read();
    shared.keep();
    clearTimeout(timer);
    timer = setTimeout(replan, AFTER_MS);
  }

  async function replan() {
    const { request, missing } = form.request();
    asked += 1;
    const own = asked;
    if (Object.keys(missing).length > 0) {
      const needed = text("prepare.needed");
      const wrong = Object.entries(missing).filter(([, message]) => message !== needed);
      const errors = wrong.map(([field, message]) => ({ field, message }));
      lack(errors, text("prepare.missing"));
      return;
    }
    try {
      const plan = await post("/api/plan", request);
      if (own === asked) take(plan, request);
    } catch (error) {
      if (own !== asked) return;
      const errors = error instanceof RefusedError ? error.errors : [];
      lack(errors, errors.length === 0 ? error.message : text("prepare.marked"));
      const isPassing = !(error instanceof RefusedError) || error.status === BUSY;
      if (isPassing) timer = setTimeout(replan, AGAIN_MS);
    }
  }

  function take(plan, request) {
    Object.assign(shared, { plan, request });
    put(problem, "");
    const note = (warning) => ({
      field: placed(warning.field),
      words: warning.text,
      kind: "warn",
    });
    form.showNotes(plan.warnings.map(note));
    form.offer(plan);
    panel.show(plan);
    film.offer(plan);
    pictures.show(plateShown(plan, plan.target_depth_mm));
    mark(next, "aria-disabled", null);
  }

  function lack(errors, why) {
    Object.assign(shared, { plan: null, request: null });
    const note = ({ field, message }) => ({ field: placed(field), words: message, kind: "bad" });
    form.showNotes(errors.map(note));
    panel.lack(why);
    film.offer(null);
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
