"""Turns coverage into polygons.

Restores corners and line ends, smooths noise, and corrects lengths and turns.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np

from controller.artwork.outline.caps import restore_ends
from controller.artwork.outline.chain import Chain, Cover, Floats, length_of
from controller.artwork.outline.contour import trace
from controller.artwork.outline.corners import Polygon, restore_corners, vertex_noise_px
from controller.artwork.outline.sides import turn_between

_SMOOTHING_STEPS = ((0.006, 0), (0.06, 1), (0.16, 2), (np.inf, 4))
"""Noise in px, and up to it the number of 1-2-1 passes along the contour. Source: least length
error over discs, rings, dots, squares, stars and lines, from exact coverage down to one bit per
pixel."""


@dataclass(frozen=True)
class Outline:
    """A polygon with lengths, turns and uncertainties.

    :param length_px: per vertex: the distance to the next vertex, and half of the excess length of
        the true curve at the vertex.
    :param turn_rad: per vertex, positive where the open region is convex.
    :param passes: smoothing passes made.
    :param noise_px: scatter of the vertices before smoothing, one sigma.
    :param doubt_px: per vertex, uncertainty of the length, one sigma: of restored corners, and of
        corners and curves too tight to be resolved.
    """

    polygon: Polygon
    length_px: Floats
    turn_rad: Floats
    passes: int
    noise_px: float
    doubt_px: Floats


_TIGHT_RAD = 0.5
_TIGHT_DOUBT_PX = 0.25
"""Turn per vertex from which a curve is too tight for the second-order corrections, and uncertainty
in px per rad beyond. Source: discs of 1.2 px radius, whose length is found 10 % short."""

_BLUNT_RAD = 0.1
_BLUNT_DOUBT_PX = 0.2
"""Turn that three vertices have more than the arc through nine, noise included, and uncertainty in
px per rad beyond. A corner that was not restored counts with all of its turn. Source: stars of 7 px
edges and squares of 6 px at any angle."""


def outline(cover: Cover, full: int, noise_range_px: tuple[float, float]) -> Outline:
    """Return the contours of the open region as polygons.

    :param noise_range_px: limits of the scatter of the vertices for the kind of file, one sigma.
        The steps of a file with few grey levels look exact in places, and tight curves look noisy.
    """
    chain = trace(cover, full)
    noise_px = min(max(noise_range_px[0], vertex_noise_px(chain)), noise_range_px[1])
    passes = next(count for limit, count in _SMOOTHING_STEPS if noise_px < limit)
    polygon = _smoothed(restore_ends(restore_corners(chain, noise_px), noise_px), passes)
    length_px, turn_rad = _lengths(polygon, passes)
    return Outline(
        polygon, length_px, turn_rad, passes, noise_px, _doubt(polygon, turn_rad, noise_px)
    )


def _doubt(polygon: Polygon, turn_rad: Floats, noise_px: float) -> Floats:
    ahead, back = polygon.chain.hops(4)
    turn = np.where(polygon.is_corner, 0.0, turn_rad)
    near, wide = turn.copy(), turn.copy()
    for k in range(1, 5):
        both = np.where(ahead[k] != ahead[k - 1], turn[ahead[k]], 0.0) + np.where(
            back[k] != back[k - 1], turn[back[k]], 0.0
        )
        wide += both
        near += both if k == 1 else 0.0
    blunt = np.maximum(np.abs(near) - np.abs(wide) / 3.0 - _BLUNT_RAD - 3.0 * noise_px, 0.0)
    tight = np.maximum(np.abs(turn) - _TIGHT_RAD, 0.0)
    return polygon.doubt_px + _BLUNT_DOUBT_PX * blunt + _TIGHT_DOUBT_PX * tight


def seed_chain(outline: Outline) -> Chain:
    """Return the chain to measure distances from. On curves it is moved outwards.

    Points spaced by h on a curve measure distances too long by 1/24 of the curvature times h^2. The
    vertices lie inside by as much, because they are means over one pixel. Smoothing moves them
    further inside, and the points then lie on chords between them, inside by another 1/24 on
    average.
    """
    chain = outline.polygon.chain
    (_, one), (_, back) = chain.hops(1)
    x, y = chain.x_px[one] - chain.x_px[back], chain.y_px[one] - chain.y_px[back]
    length = np.maximum(length_of(x, y), 1e-9)
    inside = (
        1.0 / 12.0
        + _smoothing_gain(outline.turn_rad, outline.passes)
        + (1.0 / 24.0 if outline.passes else 0.0)
    )
    shift = np.where(outline.polygon.is_corner, 0.0, outline.turn_rad * inside * length / 2.0)
    return Chain(chain.x_px + shift * y / length, chain.y_px - shift * x / length, chain.nxt)


def _smoothing_gain(turn_rad: Floats, passes: int) -> Floats:
    """Return the shrinkage of an arc by smoothing, over the square of its turn per vertex.

    It is passes/4 and more.
    """
    bend = np.clip(np.abs(turn_rad), 1e-3, 1.2)
    gain: Floats = ((2.0 / (1.0 + np.cos(bend))) ** passes - 1.0) / bend**2
    return gain


def _lengths(polygon: Polygon, passes: int) -> tuple[Floats, Floats]:
    """Return length and turn per vertex.

    The correction is of second order in the turn per vertex. On a smooth curve the vertices are
    means over one pixel and lie inside by 1/24 of its curvature. The chords lose as much again, and
    each smoothing pass moves them inside by a quarter.
    """
    chain = polygon.chain
    (own, one), (_, back) = chain.hops(1)
    out_x, out_y = chain.x_px[one] - chain.x_px, chain.y_px[one] - chain.y_px
    step = length_of(out_x, out_y)
    turn = turn_between(out_x[back], out_y[back], out_x, out_y)
    turn[(back == own) | (one == own)] = 0.0
    bend = np.minimum(np.abs(turn), 1.2)
    gain = bend**2 * (1.0 / 12.0 + _smoothing_gain(turn, passes))
    gain[polygon.is_corner] = 0.0
    return step + gain * (step + step[back]) / 2.0, turn


def _smoothed(polygon: Polygon, passes: int) -> Polygon:
    """Return the polygon after 1-2-1 passes along it.

    Corners and their neighbours do not change.
    """
    if passes == 0:
        return polygon
    chain = polygon.chain
    ahead, back = chain.hops(passes)
    fixed = polygon.is_corner.copy()
    x_px, y_px = np.zeros(len(fixed)), np.zeros(len(fixed))
    for k in range(-passes, passes + 1):
        index = ahead[k] if k >= 0 else back[-k]
        weight = comb(2 * passes, passes + k) / 4.0**passes
        x_px += weight * chain.x_px[index]
        y_px += weight * chain.y_px[index]
        if k:
            before = ahead[k - 1] if k > 0 else back[-k - 1]
            fixed |= polygon.is_corner[index] | (index == before)
    return Polygon(
        Chain(np.where(fixed, chain.x_px, x_px), np.where(fixed, chain.y_px, y_px), chain.nxt),
        polygon.is_corner,
        polygon.doubt_px,
    )
