"""Restores corners. The pixel grid cuts them; the straight sides next to them show their place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork.outline.chain import Bools, Chain, Floats, Ints, length_of
from controller.artwork.outline.sides import Bends, CornerRoom, Side, turn_between

NOISE_FLOOR_PX = 0.003
"""Scatter of vertices in a clean 8-bit image: two partial pixels, each rounded to 1/255."""

_SKIPS = (2, 3, 4, 5)
"""Vertices next to the corner that are left out on each side: the corner falsifies the sums there,
further out at sharp tips than at blunt ones."""

_SPANS = ((0.02, (2, 4)), (0.06, (2, 4, 6)), (0.16, (4, 6, 8)), (np.inf, (6, 8, 12)))
"""Noise in px, and up to it the lengths of the straight sides that are tried, in vertices: in noisy
images a short side is too uncertain, and in clean ones a long side adds nothing."""

_TURN_MAX_RAD = np.radians(160.0)
_TURN_MIN_RAD = np.radians(15.0)
"""Below, cutting the corner costs less than 0.02 px of length, and the smooth correction covers
that."""

_CUT_TURN_RAD = np.radians([0, 22, 37, 52, 67, 82, 97, 112, 127, 142, 165])
_CUT_LENGTH_PX = np.array([0, 0.021, 0.056, 0.119, 0.208, 0.33, 0.48, 0.722, 1.146, 1.65, 2.8])
"""Length that the grid cuts off a corner, against its turn. Source: median over 1500 wedges at
random angles and offsets, rasterised exactly and traced; 96 % lie within a factor of 0.6 to 1.9. An
arc of the same turn would lose 3.5 times as much by the same construction. That separates the
two."""

_CORNER_DOUBT_PX = 0.01
"""Source: restored corners of exactly rasterised squares and stars at 600 dpi, root mean square."""


@dataclass(frozen=True)
class Polygon:
    """A chain whose corners are known.

    :param is_corner: restored vertices. All others lie on straight or smooth parts.
    :param doubt_px: per vertex, uncertainty of the length from restoring it, one sigma.
    """

    chain: Chain
    is_corner: Bools
    doubt_px: Floats


def vertex_noise_px(chain: Chain) -> float:
    """Return the scatter of the vertices across the contour, one sigma in px, from their third
    differences.

    The 15th percentile is used (0.189 sigma of a normal distribution), so that corners and tight
    curves do not count as noise.
    """
    (own, one, two), (_, back, _) = chain.hops(2)
    x, y = chain.x_px, chain.y_px
    jerk_x, jerk_y = x[two] - 3 * x[one] + 3 * x - x[back], y[two] - 3 * y[one] + 3 * y - y[back]
    step_x, step_y = x[one] - x, y[one] - y
    length = length_of(step_x, step_y)
    usable = (length > 0) & (back != own) & (two != one)
    if np.count_nonzero(usable) < 20:
        return NOISE_FLOOR_PX
    across = np.abs(jerk_x * step_y - jerk_y * step_x)[usable] / length[usable]
    return max(NOISE_FLOOR_PX, float(np.percentile(across, 15)) / 0.189 / 20**0.5)


def restore_corners(chain: Chain, noise_px: float) -> Polygon:
    """Return the polygon with every corner moved to where its two straight sides meet.

    A corner is accepted when both sides are straight within the noise, and when the length that it
    adds is that of a corner and not of an arc.
    """
    spans = next(spans for limit, spans in _SPANS if noise_px < limit)
    bends = Bends(chain, 0.8 * _TURN_MIN_RAD, 3, max(_SKIPS) + max(spans), max(_SKIPS))
    room = CornerRoom(chain, max(_SKIPS))
    x, y = chain.x_px.copy(), chain.y_px.copy()
    is_corner = np.zeros(len(x), np.bool_)
    dropped = is_corner.copy()
    passes = [
        (skip, span)
        for span in spans
        for skip in _SKIPS
        if _can_tell(_TURN_MAX_RAD, skip, span, noise_px)
    ]
    if noise_px < 0.02:
        passes += [(2, 1), (3, 1)]
    for skip, span in passes:
        left, right = bends.sides(skip, span)
        meet_x, meet_y, turn = _meet(left, right)
        to_left = (meet_x - bends.x_back[skip]) * left.x + (meet_y - bends.y_back[skip]) * left.y
        to_right = (meet_x - bends.x_ahead[skip]) * right.x + (
            meet_y - bends.y_ahead[skip]
        ) * right.y
        gained = to_left + to_right - bends.walked[skip]
        believed = (
            room.beyond(skip, bends.at)
            & left.usable
            & right.usable
            & (to_left > 0)
            & (to_right > 0)
        )
        keep = np.flatnonzero(believed)
        keep = keep[_is_corner_shaped(gained[keep], turn[keep], noise_px, short=span == 1)]
        keep = keep[_is_nearest(bends, keep, skip, meet_x[keep], meet_y[keep])]
        if span > 1:
            bows = left.only(keep).bow(), right.only(keep).bow()
            keep = keep[_are_straight(*bows, np.abs(turn[keep]), skip, span, noise_px)]
        found = bends.at[keep]
        is_corner[found] = True
        x[found], y[found] = meet_x[keep], meet_y[keep]
        for k in range(1, skip):
            dropped[bends.ahead[k, keep]] = True
            dropped[bends.back[k, keep]] = True
        room.add(found)
        bends = bends.thinned(room.beyond(min(_SKIPS), bends.at))
    keep_vertex = ~dropped | is_corner
    doubt_px = np.where(is_corner, _CORNER_DOUBT_PX, 0.0)
    return Polygon(
        Chain(x, y, chain.nxt).only(keep_vertex), is_corner[keep_vertex], doubt_px[keep_vertex]
    )


def _meet(left: Side, right: Side) -> tuple[Floats, Floats, Floats]:
    """Return where the two sides meet and the turn from one to the other."""
    turn = turn_between(left.x, left.y, -right.x, -right.y)
    cross = left.y * right.x - left.x * right.y
    cross = np.where(np.abs(cross) > 1e-3, cross, np.inf)
    (left_x, left_y), (right_x, right_y) = left.mid, right.mid
    along = ((right_y - left_y) * right.x - (right_x - left_x) * right.y) / cross
    return left_x + along * left.x, left_y + along * left.y, turn


def cut_length_px(turn_rad: Floats) -> Floats:
    """Return the length in px that the grid cuts off a corner with this turn."""
    length: Floats = np.interp(np.abs(turn_rad), _CUT_TURN_RAD, _CUT_LENGTH_PX)
    return length


def _is_corner_shaped(gained: Floats, turn: Floats, noise_px: float, *, short: bool) -> Bools:
    size = np.abs(turn)
    expected = cut_length_px(turn)
    slack = (0.5 if short else 2.0) * noise_px
    low, high = (np.radians(40.0), np.radians(115.0)) if short else (_TURN_MIN_RAD, _TURN_MAX_RAD)
    result: Bools = (
        (size > low)
        & (size < high)
        & (gained < 1.9 * expected + slack)
        & (gained > 0.2 * expected - slack)
    )
    return result


def _are_straight(
    left: tuple[Floats, Floats],
    right: tuple[Floats, Floats],
    turn: Floats,
    skip: int,
    span: int,
    noise_px: float,
) -> Bools:
    """Return which bends are corners and not arcs, by sag and scatter of both sides.

    An arc with this turn would sag by ``arc`` over each side.
    """
    arc = _arc_sag_px(turn, skip, span)
    sag = np.maximum(np.abs(left[0]), np.abs(right[0]))
    scatter = np.maximum(left[1], right[1])
    result: Bools = (
        _can_tell(turn, skip, span, noise_px)
        & (sag < 0.35 * arc)
        & (scatter < 2.5 * noise_px + 0.004)
    )
    return result


def _arc_sag_px(turn: Floats, skip: int, span: int) -> Floats:
    return span * span * turn / (8.0 * (2 * skip + span))


def _can_tell(turn: Floats, skip: int, span: int, noise_px: float) -> Bools:
    """Return whether sides of this length separate a corner from an arc in spite of the noise."""
    result: Bools = 2.2 * noise_px < 0.35 * _arc_sag_px(turn, skip, span)
    return result


def _is_nearest(bends: Bends, keep: Ints, skip: int, meet_x: Floats, meet_y: Floats) -> Bools:
    """Return which bends are nearest to their meeting point, one per corner.

    Ties go to the lower index.
    """
    at = bends.at[keep]
    own = length_of(bends.x_ahead[0, keep] - meet_x, bends.y_ahead[0, keep] - meet_y)
    nearest = np.ones(len(at), np.bool_)
    for k in range(1, skip + 1):
        for other, x, y in (
            (bends.ahead, bends.x_ahead, bends.y_ahead),
            (bends.back, bends.x_back, bends.y_back),
        ):
            away = length_of(x[k, keep] - meet_x, y[k, keep] - meet_y)
            nearest &= (own < away - 1e-6) | ((own < away + 1e-6) & (at <= other[k, keep]))
    return nearest
