// A page without a browser: as much of the DOM as the modules use. Tests read it and tap on it.

class TextDouble {
  constructor(text) {
    this.textContent = String(text);
    this.parentNode = null;
  }
}

export class ElementDouble {
  constructor(tag) {
    this.tag = tag;
    this.attributes = new Map();
    this.children = [];
    this.listeners = [];
    this.parentNode = null;
    this.hidden = false;
    this.dataset = {};
    Object.assign(this, { files: [], value: "", checked: false });
  }

  get id() {
    return this.getAttribute("id") ?? "";
  }

  set id(id) {
    this.setAttribute("id", id);
  }

  getAttribute(name) {
    return this.attributes.get(name) ?? null;
  }

  setAttribute(name, value) {
    this.attributes.set(name, String(value));
  }

  removeAttribute(name) {
    this.attributes.delete(name);
  }

  get textContent() {
    return this.children.map((child) => child.textContent).join("");
  }

  set textContent(text) {
    this.replaceChildren(text);
  }

  get firstChild() {
    return this.children[0] ?? null;
  }

  remove() {
    this.parentNode?.drop?.(this);
    this.parentNode = null;
  }

  append(...children) {
    for (const child of children) {
      const node = child instanceof ElementDouble ? child : new TextDouble(child);
      node.parentNode?.drop?.(node);
      node.parentNode = this;
      this.children.push(node);
    }
  }

  drop(node) {
    this.children = this.children.filter((child) => child !== node);
  }

  replaceChildren(...children) {
    for (const child of this.children) child.parentNode = null;
    this.children = [];
    this.append(...children);
  }

  addEventListener(type, listener, isCapture = false) {
    this.listeners.push({ type, listener, isCapture });
  }

  removeEventListener(type, listener) {
    this.listeners = this.listeners.filter((l) => l.type !== type || l.listener !== listener);
  }

  dispatchEvent(event) {
    for (const { listener } of this.listeners.filter(({ type }) => type === event.type)) {
      listener(event);
    }
  }

  focus() {
    globalThis.document.activeElement = this;
  }

  matches(selector) {
    return selector.split(",").some((one) => {
      const [last, ...before] = one.trim().split(/\s+/).reverse();
      if (!this.isOf(last)) return false;
      let { parentNode } = this;
      for (const wanted of before) {
        while (parentNode !== null && !parentNode.isOf(wanted)) ({ parentNode } = parentNode);
        if (parentNode === null) return false;
        ({ parentNode } = parentNode);
      }
      return true;
    });
  }

  isOf(compound) {
    const parts = compound.match(/[.#]?[\w-]+|\[[^\]]+\]/g);
    return parts.every((part) => {
      if (part.startsWith(".")) {
        return (this.getAttribute("class") ?? "").split(" ").includes(part.slice(1));
      }
      if (part.startsWith("#")) return this.id === part.slice(1);
      if (!part.startsWith("[")) return this.tag === part;
      const [name, value] = part.slice(1, -1).replaceAll('"', "").split("=");
      return value === undefined ? this.attributes.has(name) : this.getAttribute(name) === value;
    });
  }

  closest(selector) {
    if (this.matches(selector)) return this;
    return this.parentNode?.closest?.(selector) ?? null;
  }

  querySelectorAll(selector) {
    return this.children
      .filter((child) => child instanceof ElementDouble)
      .flatMap((child) => [...(child.matches(selector) ? [child] : []),
        ...child.querySelectorAll(selector)]);
  }

  querySelector(selector) {
    return this.querySelectorAll(selector)[0] ?? null;
  }

  show() {
    this.setAttribute("open", "");
  }

  close() {
    this.removeAttribute("open");
  }
}

/** Make document, window and location new; elements of these ids are in the body. */
export function setPage(...ids) {
  const page = new ElementDouble("#document");
  page.createElement = (tag) => new ElementDouble(tag);
  page.createElementNS = (_, tag) => new ElementDouble(tag);
  page.body = new ElementDouble("body");
  page.append(page.body);
  page.getElementById = (id) => page.querySelector(`#${id}`);
  page.activeElement = page.body;
  page.title = "";
  for (const id of ids) {
    const element = new ElementDouble("div");
    element.id = id;
    page.body.append(element);
  }
  globalThis.document = page;
  globalThis.window = new ElementDouble("#window");
  globalThis.window.scrollTo = (...place) => (globalThis.window.scrolledTo = place);
  globalThis.location = { hash: "" };
  return page;
}

/** Fire an event as a person's hand does: the document first, then the target and what holds it. */
export function fire(target, type, fields = {}) {
  const event = {
    type, target, isPrevented: false, isStopped: false, ...fields,
    preventDefault: () => (event.isPrevented = true),
    stopPropagation: () => (event.isStopped = true),
  };
  const deliver = (element, isCapture) => {
    for (const one of [...element.listeners]) {
      if (one.type !== type || one.isCapture !== isCapture) continue;
      one.listener({ ...event, currentTarget: element,
        preventDefault: event.preventDefault, stopPropagation: event.stopPropagation });
    }
  };
  deliver(globalThis.document, true);
  for (let at = target; at !== null && !event.isStopped; at = at.parentNode) deliver(at, false);
  return event;
}

/** Return the text of the element of that id. */
export const textOf = (id) => globalThis.document.getElementById(id).textContent;
