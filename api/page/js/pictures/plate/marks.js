// What is drawn over a picture: lines and the scale bar.

import { text } from "../../base/text.js";

/** Draw a line in black on white, so that it is seen on any ground. */
export function stroked(pen, outline) {
  for (const [colour, width] of [
    ["#ffffff", 5],
    ["#14191c", 2],
  ]) {
    Object.assign(pen, { strokeStyle: colour, lineWidth: width });
    pen.beginPath();
    outline();
    pen.stroke();
  }
}

/** Draw the scale bar at the lower left. */
export function scaleBar(pen, box, pxPerMm) {
  const steps = [50, 20, 10, 5, 2, 1, 0.5, 0.2, 0.1];
  const length = steps.find((mm) => mm * pxPerMm < box.width / 3) ?? 0.1;
  const [x, y] = [10, box.height - 12];
  stroked(pen, () => {
    pen.moveTo(x, y - 5);
    pen.lineTo(x, y);
    pen.lineTo(x + length * pxPerMm, y);
    pen.lineTo(x + length * pxPerMm, y - 5);
  });
  const words = text("plate.bar", { length_mm: length });
  Object.assign(pen, { font: "16px sans-serif", lineWidth: 4, strokeStyle: "#ffffff" });
  pen.strokeText(words, x + 4, y - 8);
  pen.fillStyle = "#14191c";
  pen.fillText(words, x + 4, y - 8);
}
