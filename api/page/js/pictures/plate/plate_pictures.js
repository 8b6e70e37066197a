// Pictures of the etched plate: relief, lines that wash out, metal left, a section along a line.
//
// The controller sends the field once; the page draws each depth from it.

import { button, h, mark, put, show } from "../../base/dom.js";
import { choiceField } from "../../base/field.js";
import { keep, kept } from "../../base/kept.js";
import { fixed } from "../../base/numbers.js";
import { path, query } from "../../base/server.js";
import { text } from "../../base/text.js";
import { fetchField } from "./fetch_field.js";
import { listen } from "./gestures.js";
import { legend } from "./legend.js";
import { scaleBar, stroked } from "./marks.js";
import { paint } from "./paint.js";
import { ProfileFigure } from "./profile_figure.js";
import { Surface } from "./surface.js";
import { bounded, fitted, panned, toPlate, toScreen, zoomed } from "./view.js";

const MODES = ["relief", "lines", "left", "section"];
const STEP = 1.6;
const MOST_PIXELS = 260000;
const TURNED = "biteclock.plate.turned";

/** ontap(place): a place of the plate was tapped, {x, y} in mm, or null for no tapping. */
export class PlatePictures {
  constructor({ ontap = null } = {}) {
    this.ontap = ontap;
    this.surface = null;
    this.artwork = null;
    this.wanted = null;
    this.ends = null;
    this.marked = null;
    this.isDue = false;
    const names = MODES.map((name) => ({ name, title: text(`plate.mode.${name}`) }));
    this.mode = choiceField(text("plate.picture"), names, "");
    this.mode.write("relief");
    this.mode.element.addEventListener("change", () => this.changed());
    this.canvas = h("canvas", {
      class: "plate-canvas",
      tabindex: "0",
      role: "img",
      "aria-label": text("plate.canvas"),
    });
    this.overlay = h("canvas", { class: "plate-overlay", "aria-hidden": "true" });
    this.stage = h("div", { class: "plate-stage" }, this.canvas, this.overlay);
    this.words = h("p", { class: "plate-words", role: "status" });
    this.legend = h("div", { class: "plate-legend" });
    this.profile = new ProfileFigure();
    const tool = (name, action) => button(text(`plate.${name}`), action);
    const tools = [
      tool("larger", () => this.zoom(STEP)),
      tool("smaller", () => this.zoom(1 / STEP)),
      tool("whole", () => this.fit()),
      tool("turn", () => this.turn({ quarter: (this.view.quarter + 1) % 4 })),
      tool("flip", () => this.turn({ isFlipped: !this.view.isFlipped })),
    ];
    this.exports = h("p", { class: "plate-exports" });
    this.element = h(
      "div",
      { class: "plate-pictures" },
      this.mode.element,
      this.stage,
      h("div", { class: "plate-tools" }, tools),
      this.words,
      this.legend,
      this.profile.element,
      this.exports,
    );
    listen(this.canvas, {
      pan: (dx, dy) => this.look(panned(this.view, this.box(), dx, dy)),
      zoom: (factor, point) => this.zoom(factor, point),
      fit: () => this.fit(),
      tap: (point) => this.tap(point),
      line: (from, to) => this.draw(from, to),
      isDrawing: () => this.mode.read() === "section",
    });
    new ResizeObserver(() => this.fit()).observe(this.stage);
  }

  /** Show a plate: {artwork, depthMm, etchFactor, evenness, thicknessMm}. */
  async show(wanted) {
    this.wanted = wanted;
    if (wanted.artwork !== this.artwork) {
      this.artwork = wanted.artwork;
      this.surface = null;
      put(this.words, text("plate.loading"));
      const found = await fetchField(wanted.artwork).catch((error) => error);
      if (this.artwork !== wanted.artwork) return;
      if (found instanceof Error) {
        this.artwork = null;
        put(this.words, found.message);
        return;
      }
      this.surface = new Surface(found);
      this.fit();
    }
    if (this.surface === null) return;
    this.surface.set(this.wanted);
    this.changed();
  }

  plate() {
    const { header } = this.surface.field;
    return {
      xMm: header.origin_x_mm,
      yMm: header.origin_y_mm,
      widthMm: header.width_px * header.pixel_mm,
      heightMm: header.height_px * header.pixel_mm,
    };
  }

  box() {
    return { width: this.stage.clientWidth, height: this.stage.clientHeight };
  }

  fit() {
    if (this.surface === null || this.stage.clientWidth === 0) return;
    this.look(fitted(this.plate(), this.box(), this.view ?? turned()));
  }

  turn(change) {
    const { quarter, isFlipped } = { ...this.view, ...change };
    keep(TURNED, JSON.stringify({ quarter, isFlipped }));
    this.view = { ...this.view, quarter, isFlipped };
    this.fit();
  }

  zoom(factor, point = null) {
    const box = this.box();
    const least = fitted(this.plate(), box, this.view).pxPerMm;
    const middle = { x: box.width / 2, y: box.height / 2 };
    this.look(zoomed(this.view, box, factor, point ?? middle, least));
  }

  look(view) {
    this.view = bounded(view, this.plate());
    this.due();
  }

  tap(point) {
    if (this.surface === null) return;
    const place = toPlate(this.view, this.box(), point);
    const { kind, depthMm } = this.surface.at(place.x, place.y);
    this.marked = place;
    this.drawOverlay();
    const depth_mm = fixed(depthMm, 2);
    const at = { x_mm: fixed(place.x, 1), y_mm: fixed(place.y, 1), depth_mm };
    put(this.words, text("plate.at", at));
    const { evenness } = this.surface;
    const ratioAt = (value) => this.surface.ratioFor(place, value);
    this.ontap?.(place, { kind, evenness, ratioAt });
  }

  draw(from, to) {
    const [a, b] = [from, to].map((point) => toPlate(this.view, this.box(), point));
    this.ends = [a, b];
    this.showProfile();
    this.drawOverlay();
  }

  changed() {
    const mode = this.mode.read();
    show(this.profile.element, mode === "section");
    if (this.surface === null) return;
    const { thicknessMm, depthMm, artwork, etchFactor } = this.wanted;
    const lacks = mode === "left" && thicknessMm === null;
    const depth_mm = fixed(depthMm, 2);
    put(this.words, lacks ? text("plate.no_thickness") : text("plate.depth", { depth_mm }));
    const key = `${mode} ${thicknessMm}`;
    if (key !== this.legendKey) {
      this.legendKey = key;
      this.legend.replaceChildren(...(lacks ? [] : legend(mode, thicknessMm)));
    }
    const bath = { depth_mm: depthMm.toFixed(3), etch_factor: etchFactor };
    const link = (name, words) => {
      const href = query(`${path("artworks", artwork)}/${name}`, {
        ...bath,
        evenness: this.surface.evenness,
      });
      return h("a", { class: "button", href, download: name }, text(words));
    };
    if (this.exports.dataset.depth !== bath.depth_mm) {
      this.exports.dataset.depth = bath.depth_mm;
      const isDeep = depthMm >= 0.001;
      this.exports.replaceChildren(
        ...(isDeep
          ? [
              link("relief.png", "plate.save.picture"),
              link("height-map.png", "plate.save.height_map"),
            ]
          : []),
      );
    }
    this.showProfile();
    this.due();
  }

  showProfile() {
    if (this.ends === null) return this.profile.show(null);
    return this.profile.show(this.surface.profile(...this.ends));
  }

  due() {
    if (this.isDue || this.view === undefined) return;
    this.isDue = true;
    requestAnimationFrame(() => {
      this.isDue = false;
      this.drawPicture();
    });
  }

  drawPicture() {
    const shown = this.box();
    if (this.surface === null || shown.width === 0) return;
    const most = Math.sqrt(MOST_PIXELS / (shown.width * shown.height));
    const dense = Math.min(globalThis.devicePixelRatio ?? 1, Math.max(most, 0.5));
    const box = {
      width: Math.round(shown.width * dense),
      height: Math.round(shown.height * dense),
    };
    for (const [name, size] of Object.entries(box)) {
      if (this.canvas[name] !== size) this.canvas[name] = size;
    }
    const pen = this.canvas.getContext("2d");
    const image = pen.createImageData(box.width, box.height);
    const view = { ...this.view, pxPerMm: this.view.pxPerMm * (box.width / shown.width) };
    const mode = this.mode.read();
    const { thicknessMm } = this.wanted;
    const isShaded = mode === "section" || (mode === "left" && thicknessMm === null);
    paint(image.data, box, this.surface, view, isShaded ? "relief" : mode, thicknessMm);
    pen.putImageData(image, 0, 0);
    mark(this.canvas, "data-drawn", mode);
    this.drawOverlay();
  }

  drawOverlay() {
    const box = this.box();
    Object.assign(this.overlay, box);
    const pen = this.overlay.getContext("2d");
    const screen = (place) => toScreen(this.view, box, place);
    scaleBar(pen, box, this.view.pxPerMm);
    if (this.mode.read() === "section" && this.ends !== null) {
      const [a, b] = this.ends.map(screen);
      stroked(pen, () => {
        pen.moveTo(a.x, a.y);
        pen.lineTo(b.x, b.y);
      });
    }
    if (this.marked !== null && this.ontap !== null) {
      const { x, y } = screen(this.marked);
      stroked(pen, () => {
        pen.arc(x, y, 9, 0, 2 * Math.PI);
        pen.moveTo(x - 14, y);
        pen.lineTo(x + 14, y);
        pen.moveTo(x, y - 14);
        pen.lineTo(x, y + 14);
      });
    }
  }
}

/** Return how the plate was turned last, on this phone. */
function turned() {
  try {
    const { quarter, isFlipped } = JSON.parse(kept(TURNED) ?? "{}");
    return { quarter: [1, 2, 3].includes(quarter) ? quarter : 0, isFlipped: isFlipped === true };
  } catch {
    return {};
  }
}
