"""Finds where an edge lies along a column or row, by the sum of the coverage across it.

Over a column of pixels the coverage of a straight edge sums to the edge's mean height, which is its
height at the column's centre line. That needs no interpolation and does not depend on angle or
offset.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.outline.chain import Bools, Cover, Floats, Ints

_REACH = 5
"""Pixels used on each side. An edge within 45 degrees of the grid spans at most 2 partial
pixels, a line thinner than 2 pixels at most 5."""

_NEAR_REACH = 1
"""Pixels used on each side at first. For most edges a wider window finds the same."""

_SLACK = 0.5 / 255.0 + 1e-6
"""Coverage this close to 0 or 1 counts as 0 or 1: half a grey level of an 8-bit file."""

_NONE = 99

Levels = npt.NDArray[np.float32]
Steps = npt.NDArray[np.int8]


def edge_distance(cover: Cover, full: int, first: Ints, step: Ints) -> Floats:
    """Return the distance in px from the centre of each open pixel ``first`` to the edge, along
    ``step`` (flat offsets).

    NaN where the window holds neither a full and an empty pixel nor one whole thin line.
    """
    distance = _Window(cover, full, first, step, _NEAR_REACH).distance()
    left = np.flatnonzero(np.isnan(distance))
    distance[left] = _Window(cover, full, first[left], step[left], _REACH).distance()
    return distance


class _Window:
    """The coverage of some pixels on each side of an edge: from ``-reach`` to ``reach + 1`` steps
    from its open pixel.
    """

    def __init__(self, cover: Cover, full: int, first: Ints, step: Ints, reach: int) -> None:
        steps = np.arange(-reach, reach + 2)[:, None]
        self._k = steps.astype(np.int8)
        self._level: Levels = (
            cover.ravel().take(first + steps * step, mode="clip").astype(np.float32)
        )
        self._level /= full
        is_open, is_shut = self._level >= 1.0 - _SLACK, self._level <= _SLACK
        self._inner_open, self._inner_shut = (
            _nearest(is_open[reach::-1]),
            _nearest(is_shut[reach::-1]),
        )
        self._outer_open, self._outer_shut = (
            _nearest(is_open[reach + 1 :]) + 1,
            _nearest(is_shut[reach + 1 :]) + 1,
        )
        self._has_open = (self._inner_open < _NONE) & (self._inner_open < self._inner_shut)
        self._has_shut = (self._outer_shut < _NONE) & (self._outer_shut < self._outer_open)

    def distance(self) -> Floats:
        """Return the distance, or NaN.

        It is known where the window holds a full and an empty pixel, or one whole thin line, open
        or of resist.
        """
        inside = (self._k > -self._inner_open) & (self._k < self._outer_shut)
        sums = np.where(inside, self._level, np.float32(0.0)).sum(0)
        distance = np.where(self._has_open & self._has_shut, 0.5 - self._inner_open + sums, np.nan)
        thin = np.flatnonzero(~self._has_open & self._has_shut & (self._inner_shut < _NONE))
        distance[thin] = self._side(
            thin, self._level[:, thin], -self._inner_shut, self._outer_shut, 0.5
        )
        gap = np.flatnonzero(self._has_open & ~self._has_shut & (self._outer_open < _NONE))
        distance[gap] = self._side(
            gap, 1.0 - self._level[:, gap], -self._inner_open, self._outer_open, -0.5
        )
        return distance

    def _side(self, at: Ints, level: Levels, low: Steps, high: Steps, side: float) -> Floats:
        """Return centroid + side * width of the coverage between ``low`` and ``high``, in px.

        Both ends are excluded.
        """
        inside = np.where((self._k > low[at]) & (self._k < high[at]), level, 0.0)
        width = inside.sum(0, dtype=np.float64)
        centroid: Floats = (inside * self._k.astype(np.float64)).sum(0) / np.maximum(width, 1e-6)
        distance: Floats = centroid + side * width
        return distance


def _nearest(flags: Bools) -> Steps:
    """Return the index of the first True along axis 0, or _NONE."""
    index = np.arange(len(flags), dtype=np.int8)[:, None]
    nearest: Steps = np.where(flags, index, np.int8(_NONE)).min(0)
    return nearest
