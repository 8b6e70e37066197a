// The pieces of a plate, their places and the request made from them. No DOM.
// A piece: {artwork, name, width_mm, height_mm, x_mm, y_mm, degrees}. A place is the left and top
// edge of the turned piece on the sheet; degrees turn it clockwise.

const MM_DIGITS = 100;

export const EMPTY_PLATE = { pieces: [], sheet: null, is_placed: false };

const rounded = (mm) => Math.round(mm * MM_DIGITS) / MM_DIGITS;

/** Return [cosine, sine], exact for quarter turns. */
function cosSin(degrees) {
  const quarters = degrees / 90;
  if (!Number.isInteger(quarters)) {
    const radians = (degrees * Math.PI) / 180;
    return [Math.cos(radians), Math.sin(radians)];
  }
  return [
    [1, 0],
    [0, 1],
    [-1, 0],
    [0, -1],
  ][((quarters % 4) + 4) % 4];
}

/** Return width and height of the upright rectangle around a turned piece. */
export function turnedSize({ width_mm, height_mm, degrees }) {
  const [cos, sin] = cosSin(degrees).map(Math.abs);
  return [width_mm * cos + height_mm * sin, width_mm * sin + height_mm * cos];
}

/** Return the middle of a piece on the sheet. */
export function middleOf(piece) {
  const [width, height] = turnedSize(piece);
  return [piece.x_mm + width / 2, piece.y_mm + height / 2];
}

/** Return a piece moved by a distance, to a hundredth of a millimetre. */
export const moved = (piece, xMm, yMm) => ({
  ...piece,
  x_mm: rounded(piece.x_mm + xMm),
  y_mm: rounded(piece.y_mm + yMm),
});

/** Return a piece turned about its middle. */
export function turnedTo(piece, degrees) {
  const wanted = { ...piece, degrees: ((degrees % 360) + 360) % 360 };
  const [x, y] = middleOf(piece);
  const [width, height] = turnedSize(wanted);
  return { ...wanted, x_mm: rounded(x - width / 2), y_mm: rounded(y - height / 2) };
}

/** Return where a new piece has room: right of all others. */
export function besideAll(pieces, spacingMm, borderMm) {
  const ends = pieces.map((piece) => piece.x_mm + turnedSize(piece)[0]);
  return { x_mm: rounded(Math.max(...ends) + spacingMm), y_mm: borderMm };
}

/** Return width and height that hold all pieces and the sheet. */
export function extent(pieces, sheet) {
  const rights = pieces.map((piece) => piece.x_mm + turnedSize(piece)[0]);
  const bottoms = pieces.map((piece) => piece.y_mm + turnedSize(piece)[1]);
  return [Math.max(sheet?.[0] ?? 1, ...rights), Math.max(sheet?.[1] ?? 1, ...bottoms)];
}

/** Return the body that asks the controller for the plate. isPlaced: with the places. */
export function bodyOf(pieces, sheet, { isPlaced, spacingMm, name }) {
  const size = sheet === null ? {} : { sheet_width_mm: sheet[0], sheet_height_mm: sheet[1] };
  const room = spacingMm === null ? {} : { spacing_mm: spacingMm };
  const own = ({ artwork, x_mm, y_mm, degrees }) =>
    isPlaced
      ? { artwork, x_mm, y_mm, degrees }
      : { artwork, ...(degrees === 0 ? {} : { degrees }) };
  return { name, ...size, ...room, pieces: pieces.map(own) };
}

/** Return the pieces with the places that the controller answered. */
export const placedAs = (pieces, answered) =>
  pieces.map((piece, index) => {
    const { x_mm, y_mm, degrees } = answered[index];
    return { ...piece, x_mm, y_mm, degrees };
  });
