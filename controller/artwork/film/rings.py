"""Traces a picture of levels as closed rings, with sub-pixel vertices.

Marching squares with linear interpolation (W. E. Lorensen and H. E. Cline, "Marching cubes", 1987,
in two dimensions). Levels are distances, which are linear across an edge, so vertices are exact on
straight edges at any angle.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from controller.artwork.film.sheet_walk import EDGE_LEVEL, FilmPicture
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError

MOST_VERTICES = 1_000_000
"""Most vertices of a film's outlines, before those on straight lines are left out: each takes about
0.1 kB. A page of A4 full of fine lines has more; it can be printed as PNG."""

_BAND_ROWS = 256
_THINNINGS = 8
_TOP, _RIGHT, _BOTTOM, _LEFT = range(4)
_SIDES = {
    1: ((_LEFT, _TOP),),
    2: ((_TOP, _RIGHT),),
    3: ((_LEFT, _RIGHT),),
    4: ((_RIGHT, _BOTTOM),),
    6: ((_TOP, _BOTTOM),),
    7: ((_LEFT, _BOTTOM),),
    8: ((_BOTTOM, _LEFT),),
    9: ((_BOTTOM, _TOP),),
    11: ((_BOTTOM, _RIGHT),),
    12: ((_RIGHT, _LEFT),),
    13: ((_RIGHT, _TOP),),
    14: ((_TOP, _LEFT),),
}
"""Sides of a square of four pixel centres where the edge goes in and out, with the opening on the
same hand, by its open corners: 1 top left, 2 top right, 4 bottom right, 8 bottom left."""

_SADDLES = {
    (5, True): ((_RIGHT, _TOP), (_LEFT, _BOTTOM)),
    (5, False): ((_LEFT, _TOP), (_RIGHT, _BOTTOM)),
    (10, True): ((_TOP, _LEFT), (_BOTTOM, _RIGHT)),
    (10, False): ((_TOP, _RIGHT), (_BOTTOM, _LEFT)),
}
"""The same where two opposite corners are open; True when the mean is open, which joins them."""

Keys = npt.NDArray[np.int64]


def traced(picture: FilmPicture, tolerance_px: float) -> list[Floats]:
    """Return the rings around what is open, as arrays of (x, y) in px.

    Centres of pixels are at whole numbers. Beyond the picture nothing is open. The rings end half a
    pixel or more outside it where the opening runs over its side, for the caller to cut.

    :param tolerance_px: vertices this near to a straight line between others are left out.
    Raises: RefusedError when there are far too many vertices.
    """
    start, end, keys, points = _segments(picture)
    if not len(start):
        return []
    keys, index = np.unique(keys, return_index=True)
    points = points[index]
    follower = np.arange(len(keys))
    follower[np.searchsorted(keys, start)] = np.searchsorted(keys, end)
    keep = np.ones(len(keys), np.bool_)
    follower = _thinned(points, follower, keep, tolerance_px)
    return list(_rings(points, follower, keep))


def _segments(picture: FilmPicture) -> tuple[Keys, Keys, Keys, Floats]:
    """Return keys of the ends of all segments, and the places of all crossings with their keys.

    A key names a side between two neighbouring pixel centres of the padded picture.
    """
    wide = np.pad(np.pad(picture, 1, mode="edge"), 1)
    width = wide.shape[1]
    starts, ends, all_keys, all_points = [], [], [], []
    total = 0
    for top in range(0, len(wide) - 1, _BAND_ROWS):
        band = wide[top : top + _BAND_ROWS + 1].astype(np.float32) - np.float32(EDGE_LEVEL)
        if len(band) < 2:
            break
        keys, points = _crossings(band, top, width)
        total += len(keys)
        if total > MOST_VERTICES:
            raise RefusedError(
                "artwork.film.too_many_edges", field="file", count=total, limit_count=MOST_VERTICES
            )
        start, end = _links(band, top, width)
        starts.append(start)
        ends.append(end)
        all_keys.append(keys)
        all_points.append(points - 2.0)
    return tuple(map(np.concatenate, (starts, ends, all_keys, all_points)))  # type: ignore


def _crossings(band: npt.NDArray[np.float32], top: int, width: int) -> tuple[Keys, Floats]:
    inside = band > 0.0
    row, column = np.nonzero(inside[:, 1:] != inside[:, :-1])
    one, two = band[row, column], band[row, column + 1]
    along_row = np.c_[column + one / (one - two), row + top]
    keys = 2 * ((row + top) * width + column)
    row, column = np.nonzero(inside[1:] != inside[:-1])
    one, two = band[row, column], band[row + 1, column]
    along_column = np.c_[column, row + top + one / (one - two)]
    return (
        np.concatenate([keys, 2 * ((row + top) * width + column) + 1]).astype(np.int64),
        np.concatenate([along_row, along_column]).astype(np.float64),
    )


def _links(band: npt.NDArray[np.float32], top: int, width: int) -> tuple[Keys, Keys]:
    corners = band[:-1, :-1], band[:-1, 1:], band[1:, 1:], band[1:, :-1]
    code = np.zeros(corners[0].shape, np.uint8)
    for bit, corner in enumerate(corners):
        code |= (corner > 0.0).astype(np.uint8) << bit
    row, column = np.nonzero((code > 0) & (code < 15))
    found = code[row, column]
    is_joined = sum(corner[row, column] for corner in corners) > 0.0
    starts: list[Keys] = []
    ends: list[Keys] = []
    for kind, pairs in _SIDES.items():
        _link(starts, ends, found == kind, pairs, row + top, column, width)
    for (kind, joined), both in _SADDLES.items():
        some = (found == kind) & (is_joined == joined)
        _link(starts, ends, some, both, row + top, column, width)
    return np.concatenate(starts), np.concatenate(ends)


def _link(
    starts: list[Keys],
    ends: list[Keys],
    some: npt.NDArray[np.bool_],
    pairs: tuple[tuple[int, int], ...],
    row: npt.NDArray[np.intp],
    column: npt.NDArray[np.intp],
    width: int,
) -> None:
    cell = row[some] * width + column[some]
    key = {
        _TOP: 2 * cell,
        _BOTTOM: 2 * (cell + width),
        _LEFT: 2 * cell + 1,
        _RIGHT: 2 * (cell + 1) + 1,
    }
    for start, end in pairs:
        starts.append(key[start].astype(np.int64))
        ends.append(key[end].astype(np.int64))


def _thinned(
    points: Floats,
    follower: npt.NDArray[np.intp],
    keep: npt.NDArray[np.bool_],
    tolerance_px: float,
) -> npt.NDArray[np.intp]:
    """Return the followers without vertices on straight lines, which ``keep`` then leaves out."""
    index = np.arange(len(follower))
    for turn in range(_THINNINGS):
        before = np.empty_like(follower)
        live = index[keep]
        before[follower[live]] = live
        one, two, three = points[before[live]], points[live], points[follower[live]]
        run, off = three - one, two - one
        length = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-9)
        bend = np.abs(run[:, 0] * off[:, 1] - run[:, 1] * off[:, 0]) / length
        ahead = (run * off).sum(1) > 0.0
        can_go = np.zeros(len(follower), np.bool_)
        can_go[live] = (bend < tolerance_px) & ahead
        # Of two neighbours only one may go. Keys alternate little, so a turn of order decides.
        rank = (index * 2654435761 + turn * 97) % 1_000_003
        first = can_go[live] & ~(
            (can_go[before[live]] & (rank[before[live]] > rank[live]))
            | (can_go[follower[live]] & (rank[follower[live]] > rank[live]))
        )
        gone = live[first]
        if not len(gone):
            break
        follower[before[gone]] = follower[gone]
        keep[gone] = False
    return follower


def _rings(
    points: Floats, follower: npt.NDArray[np.intp], keep: npt.NDArray[np.bool_]
) -> Iterator[Floats]:
    after = follower.tolist()
    is_left = keep.tolist()
    for start in np.flatnonzero(keep).tolist():
        if not is_left[start]:
            continue
        ring = []
        at = start
        while is_left[at]:
            is_left[at] = False
            ring.append(at)
            at = after[at]
        if len(ring) >= 3:
            yield points[ring]
