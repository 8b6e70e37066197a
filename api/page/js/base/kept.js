// What this browser keeps for later. A browser may keep nothing: then all is as at first.

/** Return what is kept under a name, or null. area: sessionStorage ends with the tab. */
export function kept(name, area = "localStorage") {
  try {
    return globalThis[area].getItem(name);
  } catch {
    return null;
  }
}

/** Keep a text under a name, if the browser lets us. */
export function keep(name, value, area = "localStorage") {
  try {
    globalThis[area].setItem(name, value);
  } catch {
    // Private windows and full stores refuse. Nothing depends on it.
  }
}
