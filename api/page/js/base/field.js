// One field of a form: its name, its input, and room for a note.

import { h, mark, put, uniqueId } from "./dom.js";
import { printed } from "./numbers.js";
import { shape } from "./shapes.js";
import { text } from "./text.js";

/** A note under a field: a hint, a warning or what is wrong. A tap opens a long one. */
export class Note {
  constructor(hint) {
    this.hint = hint;
    this.element = h("div", { class: "note", id: uniqueId("note") }, hint);
    this.shown = hint;
  }

  /** Change the hint; a warning stays. */
  hintAt(hint) {
    const isShown = this.shown === this.hint;
    this.hint = hint;
    if (!isShown) return;
    this.shown = hint;
    put(this.element, hint);
  }

  /** Show sentences of a kind, "warn" or "bad"; without any, the hint. */
  say(texts, kind) {
    const note = texts.map((one) => sentence(printed(one))).join(" ");
    if (note === this.shown) return;
    this.shown = note === "" ? this.hint : note;
    if (note === "") return this.element.replaceChildren(this.hint);
    const words = h("span", {}, note);
    const open = ({ currentTarget: button }) =>
      mark(
        button,
        "aria-expanded",
        button.getAttribute("aria-expanded") === "true" ? "false" : "true",
      );
    return this.element.replaceChildren(
      h(
        "button",
        { type: "button", "aria-expanded": "false", "data-kind": kind, onclick: open },
        shape(kind === "bad" ? "bad" : "warning"),
        words,
      ),
    );
  }
}

/** Return a text as a sentence. */
export const sentence = (words) => {
  const begun = words[0].toUpperCase() + words.slice(1);
  return /[.?!]$/.test(begun) ? begun : `${begun}.`;
};

/** Return a field around an input: {element, input, note}. */
export function field(title, input, { hint = "", unit = null, beside = null } = {}) {
  const note = new Note(hint);
  input.id ||= uniqueId("input");
  mark(input, "aria-describedby", note.element.id);
  const end =
    beside ?? (unit === null ? null : h("span", { class: "unit", "aria-hidden": "true" }, unit));
  const name =
    unit === null
      ? title
      : [title, h("span", { class: "only-heard" }, text("prepare.in_unit", { unit }))];
  const row = end === null ? input : h("div", { class: "input-row" }, input, end);
  return {
    element: h("div", { class: "field" }, h("label", { for: input.id }, name), row, note.element),
    input,
    note,
  };
}

/** Return a number's field. */
export function numberField(title, unit, hint, beside = null) {
  const input = h("input", {
    type: "text",
    inputmode: "decimal",
    autocomplete: "off",
    maxlength: "12",
  });
  return field(title, input, { hint, unit: beside === null && unit !== "" ? unit : null, beside });
}

/** Return a text's field. */
export function textField(title, hint, maxlength) {
  return field(title, h("input", { type: "text", autocomplete: "off", maxlength }), { hint });
}

/** Return a field to choose one of [{name, title}] from a list. */
export function listField(title, options, hint) {
  const select = h(
    "select",
    {},
    options.map((one) => h("option", { value: one.name }, one.title)),
  );
  return field(title, select, { hint });
}

/** Return a field to choose one of few by a tap: {element, note, read, write}. */
export function choiceField(title, options, hint, { isTall = false } = {}) {
  const note = new Note(hint);
  const group = uniqueId("choice");
  const radios = options.map(({ name }) => h("input", { type: "radio", name: group, value: name }));
  const labels = options.map((option, index) =>
    h("label", {}, radios[index], h("span", {}, option.title)),
  );
  const element = h(
    "div",
    {
      class: "field",
      role: "radiogroup",
      "aria-labelledby": `${group}-name`,
      "aria-describedby": note.element.id,
    },
    h("span", { class: "label", id: `${group}-name` }, title),
    h("div", { class: isTall ? "choice tall" : "choice" }, labels),
    note.element,
  );
  return {
    element,
    note,
    read: () => radios.find((radio) => radio.checked)?.value ?? options[0].name,
    write: (value) => radios.forEach((radio) => (radio.checked = radio.value === value)),
  };
}

/** Mark an input as wrong or right. */
export function markWrong(input, isWrong) {
  if (input !== undefined && input !== null) mark(input, "aria-invalid", isWrong ? "true" : null);
}
