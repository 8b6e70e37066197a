// The film for the depth of a plan: a small form, and a file to print.

import { button, h, mark, put, show } from "../base/dom.js";
import { choiceField, numberField } from "../base/field.js";
import { fixed, numberIn, tidy } from "../base/numbers.js";
import { path, postForFile } from "../base/server.js";
import { text } from "../base/text.js";

const FORMATS = ["pdf", "svg", "png"];
const BAR_MM = 100;
const BORDER_MM = 5;
const BUSY = "measuring";
const AGAIN_MS = 1500;
const MOST_TRIES = 20;
const KEPT_MS = 60000;

/** artwork(): {artwork, artwork_name, measured} of the form beside it. */
export class FilmForm {
  constructor(artwork, save = saveAs) {
    this.artwork = artwork;
    this.save = save;
    this.depth = numberField(text("film.depth"), "mm", "");
    this.etchFactor = numberField(text("film.etch_factor"), "", "");
    this.border = numberField(text("film.border"), "mm", text("film.border_hint"));
    this.border.input.value = String(BORDER_MM);
    const formats = FORMATS.map((name) => ({ name, title: name.toUpperCase() }));
    this.format = choiceField(text("film.format"), formats, "");
    this.format.write(FORMATS[0]);
    this.mirror = h("input", { type: "checkbox", checked: true });
    this.negative = h("input", { type: "checkbox" });
    this.answer = h("p", { class: "note", role: "status" });
    this.element = h(
      "details",
      { class: "film" },
      h("summary", {}, text("film.summary")),
      h("p", {}, text("film.what")),
      h("div", { class: "two" }, this.depth.element, this.etchFactor.element),
      this.border.element,
      this.format.element,
      h("label", { class: "check-line" }, this.mirror, text("film.mirror")),
      h("label", { class: "check-line" }, this.negative, text("film.negative")),
      h("p", { class: "note" }, text("film.black")),
      button(text("film.make"), () => this.make(), { class: "wide" }),
      this.answer,
    );
    this.offer(null);
  }

  /** Fill in the depth and the etch factor of a plan. Without an artwork there is no film. */
  offer(plan) {
    const { artwork, measured } = this.artwork();
    show(this.element, plan !== null && artwork !== null && measured === null);
    if (plan === null) return;
    this.depth.input.value = tidy(plan.target_depth_mm, 4);
    this.etchFactor.input.value = tidy(plan.etch_factor, 3);
    put(this.answer, "");
  }

  async make() {
    const { artwork, artwork_name } = this.artwork();
    const [depth_mm, etch_factor, border_mm] = [this.depth, this.etchFactor, this.border].map(
      ({ input }) => numberIn(input.value),
    );
    if ([depth_mm, etch_factor, border_mm].includes(null)) {
      put(this.answer, text("film.not_a_number"));
      return;
    }
    const file_format = this.format.read();
    const wanted = {
      depth_mm,
      etch_factor,
      border_mm,
      file_format,
      mirrored: this.mirror.checked,
      negative: this.negative.checked,
      scale_bar_mm: BAR_MM,
    };
    put(this.answer, text("film.making"));
    mark(this.element, "aria-busy", "true");
    try {
      const { blob, headers } = await patiently(() =>
        postForFile(path("artworks", artwork, "film"), wanted),
      );
      this.save(blob, `${stem(artwork_name)}-film.${file_format}`);
      const counts = {
        saved: headers.get("Lines-Saved"),
        lost: headers.get("Lines-Lost"),
        limited: headers.get("Openings-Limited"),
      };
      put(this.answer, text("film.done", { ...counts, length_mm: fixed(BAR_MM, 1) }));
    } catch (error) {
      put(this.answer, error.message);
    } finally {
      mark(this.element, "aria-busy", null);
    }
  }
}

/** Ask again while the controller draws a picture: it works on one artwork at a time. */
async function patiently(ask) {
  for (let trial = 1; ; trial += 1) {
    try {
      return await ask();
    } catch (error) {
      if (error.kind !== BUSY || trial === MOST_TRIES) throw error;
      await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
    }
  }
}

const stem = (name) => name.replace(/\.[^.]*$/, "") || "artwork";

/** Hand a file to the browser's downloads. */
function saveAs(blob, download) {
  const href = URL.createObjectURL(blob);
  h("a", { href, download }).click();
  setTimeout(() => URL.revokeObjectURL(href), KEPT_MS);
}
