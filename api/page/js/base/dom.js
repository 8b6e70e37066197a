// The DOM in few words. Text goes in as text, never as markup; nothing sets a style attribute.

const SVG = "http://www.w3.org/2000/svg";

/** Return an element. Attributes: true sets it empty, null and false leave it out, a function named on... listens. */
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
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Set an attribute, or take it away when the value is null or false. Does nothing when it stands already. */
export function mark(element, name, value) {
  const wanted = value === true ? "" : value === null || value === undefined || value === false ? null : String(value);
  if (element.getAttribute(name) === wanted) return;
  if (wanted === null) element.removeAttribute(name);
  else element.setAttribute(name, wanted);
}

/** Show a text; does nothing when it stands already. */
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Show or hide. */
export function show(element, isShown) {
  if (element.hidden === isShown) element.hidden = !isShown;
}

/** Return a listener that does something once at a time: what comes before it is done is a double tap and does nothing. */
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

/** Return a button that does something, once at a time. */
export function button(text, onclick, attributes = {}) {
  return h("button", { type: "button", ...attributes, onclick: single(onclick) }, text);
}

/** Return a definition list of [term, value] pairs, the empty ones left out. */
export function pairs(entries, attributes = {}) {
  const known = entries.filter(([, value]) => value !== null && value !== undefined && value !== "");
  return h("dl", { class: "pairs", ...attributes }, known.map(([term, value]) => h("div", {}, h("dt", {}, term), h("dd", {}, value))));
}

let uniqueNumber = 0;

/** Return an id that no other element has. */
export function uniqueId(prefix) {
  uniqueNumber += 1;
  return `${prefix}-${uniqueNumber}`;
}

/** Return the element of that id. */
export const byId = (id) => document.getElementById(id);
