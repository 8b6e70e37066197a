"""Restores the ends of thin lines, whose two corners have no straight side between them."""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Bools, Chain, Floats, Ints, length_of
from controller.artwork.outline.corners import Polygon
from controller.artwork.outline.sides import Bends, CornerRoom, Side

_LEAST_TURN_RAD = np.radians(80.0)
_SKIPS = (2, 3, 4, 5, 6)
_SPANS = (2, 4)
_WIDEST_PX = 7.0
"""Wider ends have two corners that are found one by one."""

_NARROWEST_PX = 0.7
_SQUARE_LOSS_PX = ((0.0, 0.80), (1.8, 0.80), (2.0, 0.92), (7.0, 2.0))
"""Length that separates a square end from a round one, against the width. The grid takes 0.85 px
(sd 0.14) off a square end of any width. A round end is shorter than the square one around it by
0.43 widths and what the grid takes. Source: 3000 line ends at random angles and offsets, rasterised
exactly and traced. Below 1.8 px the two look the same."""

_TELLING_PX = 2.0
_END_DOUBT_PX = (0.06, 0.25)
"""Uncertainty of the length at each of an end's two corners, one sigma, for ends from 2 px wide and
for narrower ones, which may also be round. Source: the same measurement."""


def restore_ends(polygon: Polygon, noise_px: float) -> Polygon:
    """Return the polygon with the square ends of lines 0.7 to 7 px wide restored.

    Round ends do not change.

    The end lies where the outermost vertex is: within 0.02 px (sd 0.06) for widths of 2 px and
    more, by the same measurement.
    """
    chain = polygon.chain
    x, y = chain.x_px.copy(), chain.y_px.copy()
    is_corner = polygon.is_corner.copy()
    doubt_px = polygon.doubt_px.copy()
    dropped = np.zeros(len(x), np.bool_)
    bends = Bends(chain, _LEAST_TURN_RAD, 4, max(_SKIPS) + max(_SPANS), max(_SKIPS))
    room = CornerRoom(chain, max(_SKIPS))
    room.add(np.flatnonzero(is_corner))
    spans = _SPANS[:1] if noise_px < 0.02 else _SPANS
    for span, skip in [(span, skip) for span in spans for skip in _SKIPS]:
        arc = (
            span * span * np.pi / (8.0 * (2 * skip + span))
        )  # sag of a side if the end were an arc
        if 2.2 * noise_px >= 0.35 * arc:
            continue
        left, right = bends.sides(skip, span)
        end = _End(bends, left, right, skip)
        keep = np.flatnonzero(room.beyond(skip, bends.at) & end.usable)
        if not len(keep):
            continue
        sags = [np.abs(side.only(keep).bow()[0]) for side in (left, right)]
        keep = keep[np.maximum(*sags) < 0.35 * arc]
        across, reach_px, square = end.measured(keep)
        walked = bends.walked[skip, keep]
        limit = np.interp(across, *np.transpose(_SQUARE_LOSS_PX))
        is_square = (square - walked < limit + noise_px) & (square > walked)
        keep, across, reach_px = keep[is_square], across[is_square], reach_px[is_square]
        middle = end.is_middle(keep)
        keep, across, reach_px = keep[middle], across[middle], reach_px[middle]
        for whole, link in ((left, bends.back[1]), (right, bends.ahead[1])):
            side, corner = whole.only(keep), link[keep]
            mid_x, mid_y = side.mid
            away = reach_px - end.along(mid_x, mid_y, keep)
            away /= side.x * end.axis_x[keep] + side.y * end.axis_y[keep]
            x[corner], y[corner] = mid_x + away * side.x, mid_y + away * side.y
            is_corner[corner] = True
            room.add(corner)
            doubt_px[corner] = np.where(across < _TELLING_PX, _END_DOUBT_PX[1], _END_DOUBT_PX[0])
        dropped[bends.at[keep]] = True
        for k in range(2, skip):
            dropped[bends.ahead[k, keep]] = True
            dropped[bends.back[k, keep]] = True
    kept = ~dropped | is_corner
    return Polygon(Chain(x, y, chain.nxt).only(kept), is_corner[kept], doubt_px[kept])


class _End:
    """Bends as ends of lines: two sides run nearly the same way, along an axis towards the end.

    :ivar usable: where the sides are known, within 52 degrees of each other, and as far apart as
        suits ``skip``.
    """

    def __init__(self, bends: Bends, left: Side, right: Side, skip: int) -> None:
        self._bends, self._skip = bends, skip
        self._left_x, self._left_y = left.mid
        self._right_x, self._right_y = right.mid
        axis_x, axis_y = left.x + right.x, left.y + right.y
        norm = length_of(axis_x, axis_y)
        usable = left.usable & right.usable & (norm > 1.8)
        norm = np.where(usable, norm, 1.0)
        self.axis_x, self.axis_y = axis_x / norm, axis_y / norm
        self._across = np.abs(
            (self._right_x - self._left_x) * self.axis_y
            - (self._right_y - self._left_y) * self.axis_x
        )
        usable &= (self._across > _NARROWEST_PX) & (self._across < _WIDEST_PX)
        self.usable: Bools = (
            usable & (skip >= self._across / 2 + 0.8) & (skip <= self._across / 2 + 3.0)
        )

    def along(self, x_px: Floats, y_px: Floats, keep: Ints) -> Floats:
        """Return how far along the axis points lie, from the middle of the left side."""
        along: Floats = (x_px - self._left_x[keep]) * self.axis_x[keep] + (
            y_px - self._left_y[keep]
        ) * self.axis_y[keep]
        return along

    def measured(self, keep: Ints) -> tuple[Floats, Floats, Floats]:
        """Return width, place of the outermost vertex along the axis, and the way round a square
        end there, px.
        """
        bends, skip = self._bends, self._skip
        ahead = self.along(bends.x_ahead[: skip + 1, keep], bends.y_ahead[: skip + 1, keep], keep)
        back = self.along(bends.x_back[: skip + 1, keep], bends.y_back[: skip + 1, keep], keep)
        end = np.maximum(ahead.max(0), back.max(0))
        across = self._across[keep]
        return across, end, 2 * end - ahead[skip] - back[skip] + across

    def is_middle(self, keep: Ints) -> Bools:
        """Return which vertices lie nearest to the line's middle among their neighbours, ties to
        the lower index.
        """
        bends = self._bends
        mid_x, mid_y = (
            (self._left_x + self._right_x)[keep] / 2,
            (self._left_y + self._right_y)[keep] / 2,
        )

        def off(x_px: Floats, y_px: Floats) -> Floats:
            result: Floats = np.abs(
                (x_px - mid_x) * self.axis_y[keep] - (y_px - mid_y) * self.axis_x[keep]
            )
            return result

        own = off(bends.x_ahead[0, keep], bends.y_ahead[0, keep])
        middle = np.ones(len(keep), np.bool_)
        for k in (1, 2, 3):
            for other, x, y in (
                (bends.ahead, bends.x_ahead, bends.y_ahead),
                (bends.back, bends.x_back, bends.y_back),
            ):
                away = off(x[k, keep], y[k, keep])
                middle &= (own < away - 1e-6) | (
                    (own < away + 1e-6) & (bends.at[keep] <= other[k, keep])
                )
        return middle
