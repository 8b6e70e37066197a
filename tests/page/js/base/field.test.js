import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import {
  choiceField, field, listField, markWrong, Note, numberField, sentence, textField,
} from "../../../../api/page/js/base/field.js";
import { fire, setPage } from "../doubles/page_double.js";

beforeEach(() => setPage());

const FEW = [{ name: "one", title: "One side" }, { name: "two", title: "Both sides" }];

test("a text as a sentence", () => {
  assert.equal(sentence("needed"), "Needed.");
  for (const text of ["Is it?", "Done.", "Off!"]) assert.equal(sentence(text), text);
});

test("a note shows its hint", () => {
  const note = new Note("Dark is etched.");
  assert.equal(note.element.textContent, "Dark is etched.");
  note.hintAt("Light is etched.");
  assert.equal(note.element.textContent, "Light is etched.");
});

test("a note says what is wrong", () => {
  const note = new Note("hint");
  note.say(["current_a is too high", "3 cm2 is little"], "bad");
  assert.equal(note.element.textContent, "The current is too high. 3 cm\u00b2 is little.");
  const button = note.element.querySelector("button");
  assert.equal(button.getAttribute("data-kind"), "bad");
  assert.notEqual(button.querySelector(".shape-bad"), null, "not by its colour alone");
  note.say(["too high"], "warn");
  assert.notEqual(note.element.querySelector(".shape-warning"), null);
  assert.equal(note.element.querySelector(".shape-bad"), null);
});

test("a warning stays before a hint", () => {
  const note = new Note("hint");
  note.say(["too high"], "bad");
  note.hintAt("new hint");
  assert.equal(note.element.textContent, "Too high.");
  note.say([], "bad");
  assert.equal(note.element.textContent, "new hint");
  note.hintAt("newer hint");
  assert.equal(note.element.textContent, "newer hint");
});

test("a long note opens by a tap", () => {
  const note = new Note("hint");
  note.say(["too high"], "bad");
  const button = note.element.querySelector("button");
  assert.equal(button.getAttribute("aria-expanded"), "false");
  fire(button, "click");
  assert.equal(button.getAttribute("aria-expanded"), "true");
  note.say(["too high"], "bad");
  assert.equal(note.element.querySelector("button"), button, "the same text leaves it open");
  fire(button, "click");
  assert.equal(button.getAttribute("aria-expanded"), "false");
});

test("a field hangs together", () => {
  const { element, input, note } = numberField("Depth", "mm", "How deep.");
  assert.equal(element.querySelector("label").getAttribute("for"), input.id);
  assert.equal(input.getAttribute("aria-describedby"), note.element.id);
  assert.equal(element.querySelector("label").textContent, "Depth in mm");
  assert.equal(element.querySelector(".unit").textContent, "mm");
  assert.equal(input.getAttribute("inputmode"), "decimal");
  assert.equal(note.element.textContent, "How deep.");
});

test("no two fields share an id", () => {
  const ids = [1, 2, 3].map(() => textField("Name", "", "40").input.id);
  assert.equal(new Set(ids).size, 3);
  const own = document.createElement("input");
  own.id = "mine";
  assert.equal(field("Name", own).input.id, "mine");
});

test("a field without unit", () => {
  const { element, input } = numberField("Page", "", "From 1.");
  assert.equal(element.querySelector("label").textContent, "Page");
  assert.equal(element.querySelector(".unit"), null);
  assert.equal(input.parentNode, element);
});

test("something beside in place of a unit", () => {
  const beside = document.createElement("select");
  const { element } = numberField("Thickness", "mm", "", beside);
  assert.equal(element.querySelector("label").textContent, "Thickness");
  assert.equal(element.querySelector(".unit"), null);
  assert.equal(beside.parentNode.getAttribute("class"), "input-row");
});

test("a text and a list", () => {
  assert.equal(textField("Name", "", "40").input.getAttribute("maxlength"), "40");
  const options = listField("Sides", FEW, "").input.querySelectorAll("option");
  assert.deepEqual(options.map(({ value }) => value), ["one", "two"]);
  assert.deepEqual(options.map(({ textContent }) => textContent), ["One side", "Both sides"]);
});

test("one of few", () => {
  const choice = choiceField("Sides", FEW, "hint");
  assert.equal(choice.read(), "one", "the first by default");
  choice.write("two");
  assert.equal(choice.read(), "two");
  const radios = choice.element.querySelectorAll("input");
  assert.deepEqual(radios.map(({ checked }) => checked), [false, true]);
  assert.equal(radios[0].getAttribute("name"), radios[1].getAttribute("name"));
  assert.deepEqual(
    choice.element.querySelectorAll("label").map(({ textContent }) => textContent),
    ["One side", "Both sides"],
  );
  const title = choice.element.getAttribute("aria-labelledby");
  assert.equal(document.querySelectorAll(`#${title}`).length, 0, "not in the page yet");
  document.body.append(choice.element);
  assert.equal(document.getElementById(title).textContent, "Sides");
  assert.equal(choice.element.querySelector(".tall"), null);
  const { element: tall } = choiceField("Sides", FEW, "", { isTall: true });
  assert.notEqual(tall.querySelector(".tall"), null);
});

test("wrong inputs are marked", () => {
  const input = document.createElement("input");
  markWrong(input, true);
  assert.equal(input.getAttribute("aria-invalid"), "true");
  markWrong(input, false);
  assert.equal(input.getAttribute("aria-invalid"), null);
  markWrong(null, true);
  markWrong(undefined, true);
});
