"""Distance of every pixel of a tile to the nearest contour, squared, in numpy with 16-bit integers.

The transform is separable: first the nearest seed along each line, then the least sum of squares
across the lines. The second step is nearly all of the work, because it visits as many lines as the
reach has pixels. So it works on pieces that fit in the processor's second cache.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.distances.seeds import Seeds
from controller.artwork.outline.chain import Floats, Ints

Squares = npt.NDArray[np.uint16]

_PART_BITS = 5
_PARTS = 1 << _PART_BITS
"""Parts of a pixel in positions along a line. The rounding of 1/64 px averages out."""

MAX_CELLS = 2**30 // _PARTS
"""Most cells of a tile, with the room behind each row. Positions along its rows, laid end to end,
and the sum of two of them must be 32-bit numbers. Source: the largest piece asked for, 828 x 8508
px (3 mm of growth at 1199 dpi), is a fifth of that."""

_PIECE_CELLS = 120_000
"""Cells of a piece. Source: three arrays of this many 16-bit numbers fit in 1 MB; 40,000 to 300,000
cells take the same time."""


def scale_for(reach_px: float) -> int:
    """Return the units per square pixel for distances up to ``reach_px``.

    They are as fine as 16 bits allow for the sum of two squares.
    """
    return int(65535 / (2 * _span(reach_px) ** 2))


def _span(reach_px: float) -> int:
    return int(np.ceil(reach_px)) + 2


def _far(reach_px: float) -> int:
    """Return the square that stands for everything beyond the reach."""
    return _span(reach_px) ** 2 * scale_for(reach_px)


def squared_distance(
    shape: tuple[int, int], columns: Seeds, rows: Seeds, reach_px: float
) -> Squares:
    """Return the squared distance of each pixel centre to the nearest seed, in units of
    1/scale_for(reach_px) px2.

    A value beyond the reach says only that the distance lies beyond ``reach_px``.
    """
    squares = _along_rows(shape, rows, reach_px)
    _spread_down(squares, reach_px)
    _lower_by_columns(squares, _along_columns(shape, columns, _span(reach_px)), reach_px)
    return squares


def _inside(seeds: Seeds, lines: int, length: int) -> tuple[Ints, Floats]:
    """Return line and position of the seeds that can be nearest to a pixel of the tile."""
    inside = (
        (seeds.line >= 0) & (seeds.line < lines) & (seeds.at_px > -1.0) & (seeds.at_px < length)
    )
    return seeds.line[inside], seeds.at_px[inside]


def _along_rows(shape: tuple[int, int], seeds: Seeds, reach_px: float) -> Squares:
    """Return the squared distance of each pixel to the nearest seed on its own row, at most that of
    ``_span`` pixels.

    The rows are laid end to end with ``_span`` empty cells between them, so that no pixel is near a
    seed of another row.
    """
    height, width = shape
    span = _span(reach_px)
    wide = width + span
    squares = np.empty(shape, np.uint16)
    line, at_px = _inside(seeds, height, width)
    if not len(line):
        squares.fill(_far(reach_px))
        return squares
    place = np.sort(
        (line * (wide * _PARTS) + np.rint(at_px * _PARTS).astype(np.intp)).astype(np.int32)
    )
    # The cells up to the middle between two seeds belong to the first one.
    ends = np.append((place[1:] + place[:-1]) // (2 * _PARTS) + 1, height * wide)
    step = max(1, _PIECE_CELLS // wide)
    here = np.arange(0, step * wide * _PARTS, _PARTS, dtype=np.int32)
    for top in range(0, height, step):
        low, high = top * wide, min(top + step, height) * wide
        some = slice(np.searchsorted(ends, low, "right"), np.searchsorted(ends, high) + 1)
        away = np.repeat(
            place[some] - low * _PARTS, np.diff(np.clip(ends[some], low, high), prepend=low)
        )
        away -= here[: len(away)]
        np.clip(away, -span * _PARTS, span * _PARTS, out=away)
        squares[top : top + step] = _squared(away, reach_px).reshape(-1, wide)[:, :width]
    return squares


def _along_columns(shape: tuple[int, int], seeds: Seeds, span: int) -> Squares:
    """Return the distance of each pixel to the nearest seed on its own column, in parts of a pixel,
    at most ``span`` pixels.
    """
    height, width = shape
    near = np.full(shape, span * _PARTS, np.uint16)
    line, at_px = _inside(seeds, width, height)
    part = np.rint(at_px * _PARTS).astype(np.intp)
    for cell in (np.floor(at_px).astype(np.intp), np.ceil(at_px).astype(np.intp)):
        inside = (cell >= 0) & (cell < height)
        away = np.abs(cell * _PARTS - part)[inside].astype(np.uint16)
        np.minimum.at(near.reshape(-1), cell[inside] * width + line[inside], away)
    further = np.empty(width, np.uint16)
    for order in (near, near[::-1]):
        before = order[0]
        for here in order[1:]:
            np.minimum(here, np.add(before, _PARTS, out=further), out=here)
            before = here
    return near


def _squared(away: npt.NDArray[np.int32], reach_px: float) -> npt.NDArray[np.int32]:
    """Return the squares of distances in parts of a pixel, made in place."""
    away *= away
    away *= scale_for(reach_px)
    away += _PARTS * _PARTS // 2
    away >>= 2 * _PART_BITS
    return away


def _spread_down(squares: Squares, reach_px: float) -> None:
    """Give each pixel the least sum of a square in its column and the squared distance to it, in
    place.
    """
    height, width = squares.shape
    span = _span(reach_px)
    step = max(1, _PIECE_CELLS // (height + 2 * span))
    for left in range(0, width, step):
        piece = squares[:, left : left + step]
        alone = np.full((height + 2 * span, piece.shape[1]), _far(reach_px), np.uint16)
        alone[span:-span] = piece
        piece[:] = _spread(alone.reshape(-1), piece.shape[1], reach_px).reshape(piece.shape)


def _lower_by_columns(squares: Squares, near: Squares, reach_px: float) -> None:
    """Lower the squares to those from distances along the columns, squared and spread along the
    rows.

    :param near: distances along the columns, in parts of a pixel.
    """
    height, width = squares.shape
    span = _span(reach_px)
    wide = width + span
    step = max(1, _PIECE_CELLS // wide)
    for top in range(0, height, step):
        piece = squares[top : top + step]
        cells = len(piece) * wide
        alone = np.full(cells + 2 * span, _far(reach_px), np.uint16)
        alone[span : span + cells].reshape(-1, wide)[:, :width] = _squared(
            near[top : top + step].astype(np.int32), reach_px
        )
        np.minimum(piece, _spread(alone, 1, reach_px).reshape(-1, wide)[:, :width], out=piece)


def _spread(alone: Squares, stride: int, reach_px: float) -> Squares:
    """Return the least sum of a square within the reach and the squared distance to it.

    :param alone: squares, with room for ``_span`` steps before the first wanted cell and after the
        last.
    :param stride: cells from one step to the next.
    """
    room, scale = _span(reach_px) * stride, scale_for(reach_px)
    count = len(alone) - 2 * room
    least = alone[room : room + count].copy()
    sums = np.empty_like(least)
    for steps in range(1, int(np.ceil(reach_px)) + 1):
        before, behind = room - steps * stride, room + steps * stride
        np.minimum(alone[before : before + count], alone[behind : behind + count], out=sums)
        sums += np.uint16(scale * steps * steps)
        np.minimum(least, sums, out=least)
    return least
