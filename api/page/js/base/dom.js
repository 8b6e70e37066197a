// Short functions for the DOM. Text goes in as text, never as markup; no style attribute is set.

const SVG = "http://www.w3.org/2000/svg";

/**
 * Return an element. An attribute that is true is set empty, null and false leave it out, and a
 * function with a name that begins with "on" becomes a listener.
 */
export function h(tag, attributes = {}, ...children) {
  return furnish(document.createElement(tag), attributes, children);
}

/** Return an SVG element. */
export function svg(tag, attributes = {}, ...children) {
  return furnish(document.createElementNS(SVG, tag), attributes, children);
}

function furnish(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked") element[name] = value;
    else mark(element, name, value);
  }
  element.append(
    ...children.flat().filter((child) => child !== null && child !== undefined && child !== false),
  );
  return element;
}

/** Set an attribute, or remove it for null and false. Touches the DOM only on change. */
export function mark(element, name, value) {
  const wanted =
    value === true
      ? ""
      : value === null || value === undefined || value === false
        ? null
        : String(value);
  if (element.getAttribute(name) === wanted) return;
  if (wanted === null) element.removeAttribute(name);
  else element.setAttribute(name, wanted);
}

/** Show a text. Touches the DOM only on change. */
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Show or hide. */
export function show(element, isShown) {
  if (element.hidden === isShown) element.hidden = !isShown;
}

/** Return a listener that ignores what comes before its action is done, such as a double tap. */
export function single(action) {
  let isBusy = false;
  return async (event) => {
    event?.preventDefault();
    if (isBusy) return;
    isBusy = true;
    try {
      await action(event);
    } finally {
      isBusy = false;
    }
  };
}

/** Return a button whose action runs once at a time. */
export function button(text, onclick, attributes = {}) {
  return h("button", { type: "button", ...attributes, onclick: single(onclick) }, text);
}

/** Return a definition list of [term, value] pairs. Empty values are left out. */
export function pairs(entries, attributes = {}) {
  const known = entries.filter(
    ([, value]) => value !== null && value !== undefined && value !== "",
  );
  return h(
    "dl",
    { class: "pairs", ...attributes },
    known.map(([term, value]) => h("div", {}, h("dt", {}, term), h("dd", {}, value))),
  );
}

let uniqueNumber = 0;

/** Return an id that no other element has. */
export function uniqueId(prefix) {
  uniqueNumber += 1;
  return `${prefix}-${uniqueNumber}`;
}

/** Return the element of that id. */
export const byId = (id) => document.getElementById(id);
