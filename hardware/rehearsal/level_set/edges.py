"""Finds the artwork's contour at half coverage, and the distances of cells to it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_HALF = 0.5
_TOP, _RIGHT, _BOTTOM, _LEFT = range(4)
_SIDES = {
    1: ((_LEFT, _TOP),),
    2: ((_TOP, _RIGHT),),
    3: ((_LEFT, _RIGHT),),
    4: ((_RIGHT, _BOTTOM),),
    5: ((_LEFT, _TOP), (_RIGHT, _BOTTOM)),
    6: ((_TOP, _BOTTOM),),
    7: ((_LEFT, _BOTTOM),),
    8: ((_BOTTOM, _LEFT),),
    9: ((_TOP, _BOTTOM),),
    10: ((_TOP, _RIGHT), (_BOTTOM, _LEFT)),
    11: ((_RIGHT, _BOTTOM),),
    12: ((_RIGHT, _LEFT),),
    13: ((_TOP, _RIGHT),),
    14: ((_LEFT, _TOP),),
}
"""Sides of a square of four cell centres that the contour crosses, by the open corners: 1 top left,
2 top right, 4 bottom right, 8 bottom left."""


def edge_distance(cover: Floats, reach: int) -> Floats:
    """Return the distance of each cell centre to the nearest edge, in cells.

    It is positive in resist and negative in open metal.

    :param cover: open share of each cell.
    :param reach: cells further away get +-infinity.
    """
    x0, y0, x1, y1 = _contour(cover)
    height, width = cover.shape
    away = np.full(height * width, np.inf)
    run_x, run_y = x1 - x0, y1 - y0
    length2 = np.maximum(run_x**2 + run_y**2, 1e-18)
    col0, row0 = (
        np.floor(np.minimum(x0, x1)).astype(np.intp),
        np.floor(np.minimum(y0, y1)).astype(np.intp),
    )
    for offset_y in range(-reach, reach + 2):
        for offset_x in range(-reach, reach + 2):
            col, row = col0 + offset_x, row0 + offset_y
            along = np.clip(((col - x0) * run_x + (row - y0) * run_y) / length2, 0.0, 1.0)
            gap = np.hypot(col - x0 - along * run_x, row - y0 - along * run_y)
            near = (gap <= reach) & (col >= 0) & (col < width) & (row >= 0) & (row < height)
            np.minimum.at(away, row[near] * width + col[near], gap[near])
    away = away.reshape(cover.shape)
    signed: Floats = np.where(cover >= _HALF, -away, away)
    return signed


def _contour(cover: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the segments of the contour at half coverage as x0, y0, x1, y1.

    The unit is a cell, with cell centres at whole numbers.
    """
    above = cover - _HALF
    corners = above[:-1, :-1], above[:-1, 1:], above[1:, 1:], above[1:, :-1]
    code = np.zeros(corners[0].shape, np.uint8)
    for bit, corner in enumerate(corners):
        code |= (corner >= 0.0).astype(np.uint8) << bit
    row, col = np.nonzero((code > 0) & (code < 15))
    top_left, top_right, bottom_right, bottom_left = (corner[row, col] for corner in corners)
    with np.errstate(divide="ignore", invalid="ignore"):  # sides that are not crossed
        points = {
            _TOP: (col + top_left / (top_left - top_right), row + 0.0),
            _RIGHT: (col + 1.0, row + top_right / (top_right - bottom_right)),
            _BOTTOM: (col + bottom_left / (bottom_left - bottom_right), row + 1.0),
            _LEFT: (col + 0.0, row + top_left / (top_left - bottom_left)),
        }
    found = code[row, col]
    segments = [
        np.stack(
            [*(part[is_kind] for part in points[start]), *(part[is_kind] for part in points[end])]
        )
        for kind, pairs in _SIDES.items()
        for is_kind in [found == kind]
        for start, end in pairs
    ]
    x0, y0, x1, y1 = np.concatenate(segments, axis=1)
    return x0, y0, x1, y1


def open_share(cover: Floats, rows: int = 8) -> Floats:
    """Return for each square of four cell centres the share of it that lies inside the contour.

    Along the steeper direction it is exact for the bilinear surface between the centres; across it
    the midpoint rule is used.
    """
    top_left, top_right = cover[:-1, :-1], cover[:-1, 1:]
    bottom_left, bottom_right = cover[1:, :-1], cover[1:, 1:]
    share: Floats = (
        np.minimum.reduce((top_left, top_right, bottom_left, bottom_right)) >= _HALF
    ).astype(np.float64)
    mixed = (share == 0.0) & (
        np.maximum.reduce((top_left, top_right, bottom_left, bottom_right)) >= _HALF
    )
    a, b, c, d = (corner[mixed] for corner in (top_left, top_right, bottom_left, bottom_right))
    is_steep_in_x = np.abs(b + d - a - c) >= np.abs(c + d - a - b)
    b, c = np.where(is_steep_in_x, b, c), np.where(is_steep_in_x, c, b)
    total = np.zeros(len(a))
    for row in (np.arange(rows) + 0.5) / rows:
        start, end = a + (c - a) * row - _HALF, b + (d - b) * row - _HALF
        step = np.where(np.abs(end - start) < 1e-12, 1e-12, end - start)
        crossing = np.clip(-start / step, 0.0, 1.0)
        total += np.where(end > start, 1.0 - crossing, crossing)
    share[mixed] = total / rows
    return share
