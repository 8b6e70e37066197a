"""Ends of thin lines put back: two corners so close together that neither has a straight side between them."""

from __future__ import annotations

import numpy as np

from controller.artwork.chain import Bools, Chain, Floats, Ints
from controller.artwork.corners import Polygon, Side, turn_between

_SKIPS = (2, 3, 4, 5, 6)
_SPANS = (2, 4)
_WIDEST_PX = 7.0
"""Wider ends have two corners that are found one by one."""

_NARROWEST_PX = 0.7
_SQUARE_LOSS_PX = ((0.0, 0.80), (1.8, 0.80), (2.0, 0.92), (7.0, 2.0))
"""Length that separates a square end from a round one, against the width: the grid takes 0.85 px (sd 0.14) off a square end
of any width, a round end is shorter than the square one around it by 0.43 widths and the grid's share. Source: 3000 line ends
at random angles and offsets, rasterised exactly and traced. Under 1.8 px the two cannot be told apart."""

_TELLING_PX = 2.0
_END_DOUBT_PX = (0.06, 0.25)
"""Length in doubt at each of an end's two corners, one sigma, for ends from 2 px wide and for narrower ones, which may as well be
round. Source: the same measurement."""


def restore_ends(polygon: Polygon, noise_px: float) -> Polygon:
    """Return the polygon with the square ends of lines 0.7 to 7 px wide put back. Round ends stay as they are.

    The end lies where the outermost vertex is: within 0.02 px (sd 0.06) for widths of 2 px and more, by the same measurement.
    """
    chain = polygon.chain
    x, y = chain.x_px.copy(), chain.y_px.copy()
    ahead, back = chain.hops(max(_SKIPS) + max(_SPANS))
    step = np.hypot(x[ahead[1]] - x, y[ahead[1]] - y)
    is_corner = polygon.is_corner.copy()
    doubt_px = polygon.doubt_px.copy()
    dropped = np.zeros(len(x), np.bool_)
    turn = turn_between(x - x[back[4]], y - y[back[4]], x[ahead[4]] - x, y[ahead[4]] - y)
    bent = np.flatnonzero(np.abs(turn) > np.radians(80.0))
    spans = _SPANS[:1] if noise_px < 0.02 else _SPANS
    for span, skip in [(span, skip) for span in spans for skip in _SKIPS]:
        arc = span * span * np.pi / (8.0 * (2 * skip + span))  # sag of a side if the end were an arc
        if 2.2 * noise_px >= 0.35 * arc:
            continue
        at = bent
        for k in range(skip + 1):
            at = at[~(is_corner[ahead[k][at]] | is_corner[back[k][at]])]
        if not len(at):
            continue
        left = Side(chain, [back[skip + k][at] for k in range(span + 1)])
        right = Side(chain, [ahead[skip + k][at] for k in range(span + 1)])
        axis_x, axis_y = left.x + right.x, left.y + right.y
        norm = np.hypot(axis_x, axis_y)
        usable = left.usable & right.usable & (norm > 1.8)  # sides within 52 degrees of each other
        norm = np.where(usable, norm, 1.0)
        axis_x, axis_y = axis_x / norm, axis_y / norm
        across = np.abs((right.mid_x - left.mid_x) * axis_y - (right.mid_y - left.mid_y) * axis_x)
        reach = np.stack([_along(chain, i[at], left, axis_x, axis_y) for i in [*ahead[: skip + 1], *back[1 : skip + 1]]])
        end = reach.max(0)
        square = 2 * end - reach[skip] - reach[2 * skip] + across
        walked = sum((step[ahead[k][at]] + step[back[k + 1][at]] for k in range(skip)), np.zeros(len(at)))
        limit = np.interp(across, *np.transpose(_SQUARE_LOSS_PX))
        usable &= (across > _NARROWEST_PX) & (across < _WIDEST_PX) & (skip >= across / 2 + 0.8) & (skip <= across / 2 + 3.0)
        usable &= (np.abs(left.sag) < 0.35 * arc) & (np.abs(right.sag) < 0.35 * arc)
        usable &= (square - walked < limit + noise_px) & (square > walked)
        usable &= _is_middle(chain, ahead, back, at, left, right, axis_x, axis_y)
        found = at[usable]
        for side, link in ((left, back[1]), (right, ahead[1])):
            away = (end - _along_point(side.mid_x, side.mid_y, left, axis_x, axis_y))[usable]
            away /= (side.x * axis_x + side.y * axis_y)[usable]
            corner = link[found]
            x[corner], y[corner] = side.mid_x[usable] + away * side.x[usable], side.mid_y[usable] + away * side.y[usable]
            is_corner[corner] = True
            doubt_px[corner] = np.where(across[usable] < _TELLING_PX, _END_DOUBT_PX[1], _END_DOUBT_PX[0])
        dropped[found] = True
        for k in range(2, skip):
            dropped[ahead[k][found]] = True
            dropped[back[k][found]] = True
    keep = ~dropped | is_corner
    return Polygon(Chain(x, y, chain.nxt).only(keep), is_corner[keep], doubt_px[keep])


def _along(chain: Chain, index: Ints, left: Side, axis_x: Floats, axis_y: Floats) -> Floats:
    return _along_point(chain.x_px[index], chain.y_px[index], left, axis_x, axis_y)


def _along_point(x: Floats, y: Floats, left: Side, axis_x: Floats, axis_y: Floats) -> Floats:
    along: Floats = (x - left.mid_x) * axis_x + (y - left.mid_y) * axis_y
    return along


def _is_middle(
    chain: Chain, ahead: list[Ints], back: list[Ints], at: Ints, left: Side, right: Side, axis_x: Floats, axis_y: Floats
) -> Bools:
    """Say which vertices lie nearest to the line's middle among their neighbours, ties to the lower index."""
    mid_x, mid_y = (left.mid_x + right.mid_x) / 2, (left.mid_y + right.mid_y) / 2

    def off(index: Ints) -> Floats:
        result: Floats = np.abs((chain.x_px[index] - mid_x) * axis_y - (chain.y_px[index] - mid_y) * axis_x)
        return result

    own = off(at)
    middle = np.ones(len(at), np.bool_)
    for k in (1, 2, 3):
        for other in (ahead[k][at], back[k][at]):
            middle &= (own < off(other) - 1e-6) | ((own < off(other) + 1e-6) & (at <= other))
    return middle
