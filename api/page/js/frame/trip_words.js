// A trip's message taken apart: what happened, value and limit with their unit, what to do.

const MESSAGE = /^(.+?)(?:: (-?[\d.]+) ([^\s,.]+)(?:, limit (-?[\d.]+) ([^\s,.]+))?)?\. (.+)$/s;

/** Return {what, value, limit, unit, todo}; value and limit are texts, null where there is none. */
export function tripWords(message) {
  const found = MESSAGE.exec(message ?? "");
  if (found === null)
    return { what: message ?? "", value: null, limit: null, unit: null, todo: "" };
  const [, what, value, unit, limit, , todo] = found;
  return { what, value: value ?? null, limit: limit ?? null, unit: unit ?? null, todo };
}
