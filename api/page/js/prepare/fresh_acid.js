// Fresh acid: a button for the chosen bath. Two taps, as it changes what later plans expect.

import { button, h, put } from "../base/dom.js";
import { attempt } from "../frame/commands.js";
import { path, post } from "../base/server.js";
import { text } from "../base/text.js";

const own = (name) => text(`bath.${name}`);

/** The button. It keeps its room. onfresh(bath): the bath, as it is with fresh acid. */
export class FreshAcid {
  constructor(onfresh) {
    this.onfresh = onfresh;
    this.name = "";
    this.line = h("p", { class: "empty-line", role: "status" });
    this.answers = h("div", { class: "answers" });
    this.element = h("div", { class: "fresh-acid" }, this.answers, this.line);
    this.offer("");
  }

  /** Offer fresh acid for a bath; "" means no bath. */
  offer(name) {
    if (name !== this.name) put(this.line, "");
    this.name = name;
    const fresh = button(own("fresh_acid"), () => this.ask());
    fresh.disabled = name === "";
    this.answers.replaceChildren(fresh);
  }

  ask() {
    put(this.line, own("fresh_acid_means"));
    this.answers.replaceChildren(
      button(own("fresh_acid_yes"), () => this.send(), { class: "primary" }),
      button(own("not_now"), () => {
        put(this.line, "");
        this.offer(this.name);
      }),
    );
  }

  async send() {
    const { name } = this;
    const bath = await attempt(() => post(path("fresh-acid"), { bath: name }));
    if (bath === null) return;
    this.offer(name);
    put(this.line, own("fresh_acid_noted"));
    this.onfresh(bath);
  }
}
