"""Where an edge lies along a column or row: the sum of the coverage from a full pixel to an empty one.

Over a column of pixels the coverage of a straight edge sums to the edge's mean height, which is its height at the column's
centre line: no interpolation, no dependence on angle or offset.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.chain import Bools, Cover, Floats, Ints

_REACH = 5
"""Pixels looked at on each side. An edge within 45 degrees of the grid spans at most 2 partial pixels, a line thinner than
2 pixels at most 5."""

_SLACK = 0.5 / 255.0 + 1e-6
"""Coverage this close to 0 or 1 counts as such: half a grey level of an 8-bit file."""

_NONE = 99

Levels = npt.NDArray[np.float32]


def edge_distance(cover: Cover, full: int, first: Ints, step: Ints) -> Floats:
    """Return the distance in px from the centre of each open pixel ``first`` to the edge, along ``step`` (flat offsets).

    NaN where the window holds neither a full and an empty pixel nor one whole thin line.
    """
    flat = cover.ravel()
    last = len(flat) - 1
    k = np.arange(-_REACH, _REACH + 2)[:, None]
    level: Levels = flat[np.clip(first + k * step, 0, last)].astype(np.float32)
    level /= full
    is_open, is_shut = level >= 1.0 - _SLACK, level <= _SLACK
    inner_open, inner_shut = _nearest(is_open[_REACH::-1]), _nearest(is_shut[_REACH::-1])
    outer_open, outer_shut = _nearest(is_open[_REACH + 1 :]) + 1, _nearest(is_shut[_REACH + 1 :]) + 1
    has_open = (inner_open < _NONE) & (inner_open < inner_shut)
    has_shut = (outer_shut < _NONE) & (outer_shut < outer_open)
    distance = np.full(len(first), np.nan)
    plain = np.flatnonzero(has_open & has_shut)
    inside = (k > -inner_open[plain]) & (k < outer_shut[plain])
    distance[plain] = 0.5 - inner_open[plain] + np.where(inside, level[:, plain], 0.0).sum(0)
    thin = np.flatnonzero(~has_open & has_shut & (inner_shut < _NONE))
    distance[thin] = _side(level[:, thin], k, -inner_shut[thin], outer_shut[thin], 0.5)
    gap = np.flatnonzero(has_open & ~has_shut & (outer_open < _NONE))
    distance[gap] = _side(1.0 - level[:, gap], k, -inner_open[gap], outer_open[gap], -0.5)
    return distance


def _nearest(flags: Bools) -> Ints:
    """Return the index of the first True along axis 0, or _NONE."""
    return np.where(flags.any(0), flags.argmax(0), _NONE)


def _side(level: Levels, k: Ints, low: Ints, high: Ints, side: float) -> Floats:
    """Return centroid + side * width of what lies between ``low`` and ``high``, both excluded, in px."""
    inside = np.where((k > low) & (k < high), level, 0.0)
    width = inside.sum(0, dtype=np.float64)
    centroid: Floats = (inside * k).sum(0) / np.maximum(width, 1e-6)
    distance: Floats = centroid + side * width
    return distance
