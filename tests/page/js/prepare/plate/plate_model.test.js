// Places and turns of pieces, against sums done by hand.

import assert from "node:assert/strict";
import { test } from "node:test";

import {
  besideAll,
  bodyOf,
  extent,
  middleOf,
  moved,
  placedAs,
  turnedSize,
  turnedTo,
} from "../../../../../api/page/js/prepare/plate/plate_model.js";

const PIECE = {
  artwork: "a",
  name: "fern",
  width_mm: 30,
  height_mm: 10,
  x_mm: 5,
  y_mm: 20,
  degrees: 0,
};

test("a quarter turn swaps the sides and keeps the middle", () => {
  const turned = turnedTo(PIECE, 90);
  assert.deepEqual(turnedSize(turned), [10, 30]);
  assert.deepEqual(middleOf(turned), middleOf(PIECE));
  assert.deepEqual([turned.x_mm, turned.y_mm], [15, 10]);
});

test("turning goes on from 0 after a whole turn", () => {
  assert.equal(turnedTo(PIECE, 450).degrees, 90);
  assert.equal(turnedTo(PIECE, -90).degrees, 270);
  assert.deepEqual(turnedSize(turnedTo(PIECE, -90)), [10, 30]);
});

test("a square turned by 45 degrees is wider by the root of 2", () => {
  const square = { ...PIECE, height_mm: 30, degrees: 45 };
  assert.ok(Math.abs(turnedSize(square)[0] - 30 * Math.SQRT2) < 1e-9);
});

test("a move is kept to a hundredth of a millimetre", () => {
  assert.deepEqual(moved(PIECE, 0.1234, -1.009), { ...PIECE, x_mm: 5.12, y_mm: 18.99 });
});

test("a new piece lies right of all others", () => {
  const other = { ...PIECE, x_mm: 50, degrees: 90 };
  assert.deepEqual(besideAll([PIECE, other], 3, 5), { x_mm: 63, y_mm: 5 });
});

test("the picture holds the sheet and what lies beyond it", () => {
  assert.deepEqual(extent([PIECE], [20, 100]), [35, 100]);
});

test("places are asked for only when pieces were placed", () => {
  const own = { spacingMm: null, name: "two" };
  assert.deepEqual(bodyOf([PIECE], null, { isPlaced: false, ...own }), {
    name: "two",
    pieces: [{ artwork: "a" }],
  });
  const turned = bodyOf([turnedTo(PIECE, 90)], null, { isPlaced: false, ...own });
  assert.deepEqual(turned.pieces, [{ artwork: "a", degrees: 90 }], "a turn is kept");
  assert.deepEqual(bodyOf([PIECE], [80, 60], { isPlaced: true, ...own, spacingMm: 4 }), {
    name: "two",
    sheet_width_mm: 80,
    sheet_height_mm: 60,
    spacing_mm: 4,
    pieces: [{ artwork: "a", x_mm: 5, y_mm: 20, degrees: 0 }],
  });
});

test("the answer's places replace one's own", () => {
  const [piece] = placedAs([PIECE], [{ x_mm: 1, y_mm: 2, degrees: 90, name: "other" }]);
  assert.deepEqual(piece, { ...PIECE, x_mm: 1, y_mm: 2, degrees: 90 });
});
