"""Corners put back. The pixel grid cuts every corner of a contour; the straight sides next to it say where it was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.artwork.chain import Bools, Chain, Floats, Ints

NOISE_FLOOR_PX = 0.003
"""Scatter of vertices in a clean 8-bit image: two partial pixels, each rounded to 1/255."""

_SKIPS = (2, 3, 4, 5)
"""Vertices next to the corner that are left out on each side: within them the corner itself falsifies the sums, at sharp tips
further than at blunt ones."""

_SPANS = ((0.02, (2, 4)), (0.06, (2, 4, 6)), (0.16, (4, 6, 8)), (np.inf, (6, 8, 12)))
"""Noise in px, and up to it the lengths of the straight sides that are tried, in vertices: in noisy images a short side tells
nothing, in clean ones a long one tells nothing new."""

_TURN_MAX_RAD = np.radians(160.0)
_TURN_MIN_RAD = np.radians(15.0)
"""Below, cutting the corner costs less than 0.02 px of length, and the smooth correction covers that."""

_CUT_TURN_RAD = np.radians([0, 22, 37, 52, 67, 82, 97, 112, 127, 142, 165])
_CUT_LENGTH_PX = np.array([0, 0.021, 0.056, 0.119, 0.208, 0.33, 0.48, 0.722, 1.146, 1.65, 2.8])
"""Length that the grid cuts off a corner, against its turn. Source: median over 1500 wedges at random angles and offsets,
rasterised exactly and traced; 96 % lie within a factor of 0.6 to 1.9. An arc of the same turn would lose 3.5 times as much
by the same construction, which is how the two are told apart."""

_CORNER_DOUBT_PX = 0.01
"""Source: restored corners of exactly rasterised squares and stars at 600 dpi, root mean square."""


@dataclass(frozen=True)
class Polygon:
    """A chain whose corners are known.

    :param is_corner: vertices that were put back; all others lie on straight or smooth parts.
    :param doubt_px: per vertex, length that putting it back may have got wrong, one sigma.
    """

    chain: Chain
    is_corner: Bools
    doubt_px: Floats


def vertex_noise_px(chain: Chain) -> float:
    """Return the scatter of the vertices across the contour, one sigma in px, from their third differences.

    The 15th percentile is used (0.189 sigma of a normal distribution), so that corners and tight curves do not count as noise.
    """
    (own, one, two), (_, back, _) = chain.hops(2)
    x, y = chain.x_px, chain.y_px
    jerk_x, jerk_y = x[two] - 3 * x[one] + 3 * x - x[back], y[two] - 3 * y[one] + 3 * y - y[back]
    step_x, step_y = x[one] - x, y[one] - y
    length = np.hypot(step_x, step_y)
    usable = (length > 0) & (back != own) & (two != one)
    if np.count_nonzero(usable) < 20:
        return NOISE_FLOOR_PX
    across = np.abs(jerk_x * step_y - jerk_y * step_x)[usable] / length[usable]
    return max(NOISE_FLOOR_PX, float(np.percentile(across, 15)) / 0.189 / 20**0.5)


def restore_corners(chain: Chain, noise_px: float) -> Polygon:
    """Return the polygon with every corner put where the two straight sides next to it meet.

    A corner is believed when both sides are straight, in keeping with the noise, and the length it adds is that of a corner
    and not of an arc.
    """
    x, y = chain.x_px, chain.y_px
    spans = next(spans for limit, spans in _SPANS if noise_px < limit)
    ahead, back = chain.hops(max(_SKIPS) + max(spans))
    new_x, new_y = x.copy(), y.copy()
    is_corner = np.zeros(len(x), np.bool_)
    dropped = is_corner.copy()
    step = np.hypot(x[ahead[1]] - x, y[ahead[1]] - y)
    turn = turn_between(x - x[back[3]], y - y[back[3]], x[ahead[3]] - x, y[ahead[3]] - y)
    bent = np.flatnonzero(np.abs(turn) > 0.8 * _TURN_MIN_RAD)
    passes = [(skip, span) for span in spans for skip in _SKIPS if _can_tell(_TURN_MAX_RAD, skip, span, noise_px)]
    if noise_px < 0.02:
        passes += [(2, 1), (3, 1)]
    for skip, span in passes:
        at = bent[~_any_near(is_corner, ahead, back, bent, skip)]
        if not len(at):
            break
        left = Side(chain, [back[skip + k][at] for k in range(span + 1)])
        right = Side(chain, [ahead[skip + k][at] for k in range(span + 1)])
        meet_x, meet_y, turn = _meet(left, right)
        to_left = (meet_x - x[back[skip][at]]) * left.x + (meet_y - y[back[skip][at]]) * left.y
        to_right = (meet_x - x[ahead[skip][at]]) * right.x + (meet_y - y[ahead[skip][at]]) * right.y
        walked = sum((step[ahead[k][at]] + step[back[k + 1][at]] for k in range(skip)), np.zeros(len(at)))
        believed = left.usable & right.usable & (to_left > 0) & (to_right > 0)
        believed &= _is_corner_shaped(to_left + to_right - walked, turn, noise_px, short=span == 1)
        if span > 1:
            believed &= _are_straight(left, right, np.abs(turn), skip, span, noise_px)
        believed &= _is_nearest(chain, ahead, back, at, skip, meet_x, meet_y)
        found = at[believed]
        is_corner[found] = True
        new_x[found], new_y[found] = meet_x[believed], meet_y[believed]
        for k in range(1, skip):
            dropped[ahead[k][found]] = True
            dropped[back[k][found]] = True
    keep = ~dropped | is_corner
    return Polygon(Chain(new_x, new_y, chain.nxt).only(keep), is_corner[keep], np.where(is_corner, _CORNER_DOUBT_PX, 0.0)[keep])


class Side:
    """Straight lines through vertices, nearest to the corner first: centre, direction towards the corner, sag, scatter."""

    def __init__(self, chain: Chain, vertices: list[Ints]) -> None:
        span = len(vertices) - 1
        weight = np.arange(span + 1)[:, None] - span / 2.0
        xs, ys = chain.x_px[np.stack(vertices)], chain.y_px[np.stack(vertices)]
        self.mid_x, self.mid_y = xs.mean(0), ys.mean(0)
        x, y = -(weight * xs).sum(0), -(weight * ys).sum(0)
        length = np.hypot(x, y)
        self.usable: Bools = (length > 1e-6) & (vertices[-1] != vertices[-2])
        length = np.where(self.usable, length, 1.0)
        self.x, self.y = x / length, y / length
        off = (xs - self.mid_x) * self.y - (ys - self.mid_y) * self.x
        bow = weight**2 - (weight**2).mean()
        power = (bow * weight**2).sum()
        curvature = (bow * off).sum(0) / power if power > 0 else np.zeros(len(x))
        self.sag: Floats = curvature * (span / 2.0) ** 2
        self.scatter: Floats = np.sqrt(((off - curvature * bow) ** 2).mean(0))


def turn_between(ax: Floats, ay: Floats, bx: Floats, by: Floats) -> Floats:
    """Return the angle from direction a to direction b, rad, positive where the open region is convex."""
    angle: Floats = np.arctan2(ax * by - ay * bx, ax * bx + ay * by)
    return angle


def _meet(left: Side, right: Side) -> tuple[Floats, Floats, Floats]:
    """Return where the two sides meet and the turn from one to the other."""
    turn = turn_between(left.x, left.y, -right.x, -right.y)
    cross = left.y * right.x - left.x * right.y
    cross = np.where(np.abs(cross) > 1e-3, cross, np.inf)
    along = ((right.mid_y - left.mid_y) * right.x - (right.mid_x - left.mid_x) * right.y) / cross
    return left.mid_x + along * left.x, left.mid_y + along * left.y, turn


def cut_length_px(turn_rad: Floats) -> Floats:
    """Return the length in px that the grid cuts off a corner with this turn."""
    length: Floats = np.interp(np.abs(turn_rad), _CUT_TURN_RAD, _CUT_LENGTH_PX)
    return length


def _is_corner_shaped(gained: Floats, turn: Floats, noise_px: float, *, short: bool) -> Bools:
    size = np.abs(turn)
    expected = cut_length_px(turn)
    slack = (0.5 if short else 2.0) * noise_px
    low, high = (np.radians(40.0), np.radians(115.0)) if short else (_TURN_MIN_RAD, _TURN_MAX_RAD)
    result: Bools = (size > low) & (size < high) & (gained < 1.9 * expected + slack) & (gained > 0.2 * expected - slack)
    return result


def _are_straight(left: Side, right: Side, turn: Floats, skip: int, span: int, noise_px: float) -> Bools:
    """Tell a corner from an arc: an arc that turned this much would sag by ``arc`` over each side."""
    arc = _arc_sag_px(turn, skip, span)
    sag = np.maximum(np.abs(left.sag), np.abs(right.sag))
    scatter = np.maximum(left.scatter, right.scatter)
    result: Bools = _can_tell(turn, skip, span, noise_px) & (sag < 0.35 * arc) & (scatter < 2.5 * noise_px + 0.004)
    return result


def _arc_sag_px(turn: Floats, skip: int, span: int) -> Floats:
    return span * span * turn / (8.0 * (2 * skip + span))


def _can_tell(turn: Floats, skip: int, span: int, noise_px: float) -> Bools:
    """Say whether sides of this length show the difference between a corner and an arc through the noise."""
    result: Bools = 2.2 * noise_px < 0.35 * _arc_sag_px(turn, skip, span)
    return result


def _any_near(flags: Bools, ahead: list[Ints], back: list[Ints], at: Ints, reach: int) -> Bools:
    near = flags[at]
    for k in range(1, reach + 1):
        near = near | flags[ahead[k][at]] | flags[back[k][at]]
    return near


def _is_nearest(
    chain: Chain, ahead: list[Ints], back: list[Ints], at: Ints, skip: int, meet_x: Floats, meet_y: Floats
) -> npt.NDArray[np.bool_]:
    """Say which vertices are nearest to their own meeting point, ties to the lower index: one per corner."""
    own = np.hypot(chain.x_px[at] - meet_x, chain.y_px[at] - meet_y)
    nearest = np.ones(len(at), np.bool_)
    for k in range(1, skip + 1):
        for other in (ahead[k][at], back[k][at]):
            away = np.hypot(chain.x_px[other] - meet_x, chain.y_px[other] - meet_y)
            nearest &= (own < away - 1e-6) | ((own < away + 1e-6) & (at <= other))
    return nearest
