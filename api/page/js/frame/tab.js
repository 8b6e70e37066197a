// Title and icon of the tab show the state while the page is in the background.

import { byId } from "../base/dom.js";
import { fixed, timeOfDay } from "../base/numbers.js";
import { shapePath } from "../base/shapes.js";
import { text } from "../base/text.js";
import { STATES } from "../base/words.js";

const SIDE = 64;
const COLOURS = { running: "#0b5d7a", tripped: "#b3261e", paused: "#7a4a00" };

/** Keep title and icon up to date. */
export function keepTab(store) {
  let drawn = "";
  const update = () => {
    const { status, isFresh } = store;
    const title = titleOf(store);
    if (document.title !== title) document.title = title;
    if (status === null) return;
    const share = shareOf(status);
    const wanted = `${isFresh} ${status.state} ${Math.round(share * 20)}`;
    if (wanted === drawn) return;
    drawn = wanted;
    byId("icon").href = icon(isFresh ? status.state : "idle", share, isFresh);
  };
  store.on("status", update);
  store.on("freshness", update);
}

/** Return the title: depth and state, or when the bench was last heard; first the bench's name. */
export function titleOf(store) {
  const name = store.status?.name ?? null;
  return name === null ? plainTitle(store) : text("tab.named", { name, title: plainTitle(store) });
}

function plainTitle({ status, isFresh, silentMs }) {
  if (status === null) return text("app.name");
  if (!isFresh) return text("tab.silent", { time: timeOfDay(new Date(Date.now() - silentMs)) });
  const known = STATES.includes(status.state);
  const state = known ? text(`state.${status.state}.in_title`) : status.state;
  if (status.depth_mm === null) return text("tab.no_depth", { state });
  return text("tab.running", { depth_mm: fixed(status.depth_mm, 2), state });
}

function shareOf(status) {
  if (status.depth_mm === null || !status.target_depth_mm) return 0;
  return Math.min(1, status.depth_mm / status.target_depth_mm);
}

function icon(state, share, isFresh) {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = SIDE;
  const pen = canvas.getContext("2d");
  const colour = isFresh ? (COLOURS[state] ?? "#37474f") : "#8a9499";
  pen.fillStyle = "#ffffff";
  pen.beginPath();
  pen.arc(SIDE / 2, SIDE / 2, SIDE / 2, 0, 2 * Math.PI);
  pen.fill();
  pen.strokeStyle = colour;
  pen.lineWidth = 8;
  pen.beginPath();
  pen.arc(SIDE / 2, SIDE / 2, SIDE / 2 - 5, -Math.PI / 2, -Math.PI / 2 + 2 * Math.PI * share);
  pen.stroke();
  pen.translate(18, 18);
  pen.scale(28 / 24, 28 / 24);
  pen.fillStyle = colour;
  pen.fill(new Path2D(shapePath(state)), "evenodd");
  return canvas.toDataURL("image/png");
}
