"""What the tiles of a sheet add up to, in pixels of the measuring grid."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.chain import Bools, Chain, Floats, Ints
from controller.artwork.distance import Squares, scale_for
from controller.artwork.gaps import Gaps
from controller.artwork.polygon import Outline
from controller.artwork.seeds import Seeds

PER_PX = 16
"""Bins per pixel of the line widths."""

MIDDLE_BINS = 8
"""Bins over the half pixel next to the middle of a line."""

ANGLE_BINS = 181
"""Bins of the angle between contour and seed lines, 0 to 45 degrees."""

_MET_SLACK_PX = 0.3
"""A corner's front has met another when a pixel in front of the corner is nearer to a seed than to the corner by this much."""

_RAYS = 5
"""Directions looked into in front of a corner, evenly over its fan: neighbouring fronts eat into it from the sides."""


class Tally:
    """Sums over tiles; each part of the sheet is counted by exactly one tile.

    :param reach_px: distances up to this are counted.
    """

    def __init__(self, reach_px: float) -> None:
        self.histogram: npt.NDArray[np.float64] = np.zeros(65536)
        self.edge_px = 0.0
        self.vertices = 0
        self.noise_px2 = 0.0
        self.doubt_px = 0.0
        self.level_edge_px = 0.0
        self.bend_rad = 0.0
        self.curve_px2 = 0.0
        self.cut_area_px2: Floats = np.zeros(int(np.ceil(reach_px)) + 2)
        self.cut_length_px: Floats = np.zeros(int(np.ceil(reach_px)) + 2)
        self.by_angle: Floats = np.zeros(ANGLE_BINS)
        widths = (int(np.ceil(reach_px)) + 2) * PER_PX
        self.half_widths: Floats = np.zeros(widths)
        self.middles: Floats = np.zeros((widths, MIDDLE_BINS))

    def add_squares(self, squares: Squares, weight: Floats | None) -> None:
        """Count the pixels of a tile by squared distance; ``weight`` is the share of each pixel inside the plate."""
        if weight is None:
            self.histogram += np.bincount(squares.ravel(), minlength=65536)
        else:
            self.histogram += np.bincount(squares.ravel(), weight.ravel(), minlength=65536)

    def add_outline(self, outline: Outline, own: Bools, share: Floats) -> None:
        """Add lengths, by the share of each segment, and turns of the vertices that belong to the tile."""
        turn, is_corner = outline.turn_rad[own], outline.polygon.is_corner[own]
        self.edge_px += float((outline.length_px * share).sum())
        self.vertices += int(np.count_nonzero(own))
        self.noise_px2 += outline.noise_px**2 * int(np.count_nonzero(own))
        bend = np.abs(turn)
        self.doubt_px += float(outline.doubt_px[own].sum())
        inward = np.where(is_corner, 2.0 * np.tan(np.minimum(bend, 2.6) / 2.0), bend)
        self.bend_rad += float(np.where(turn > 0, turn, -inward).sum())
        # Points on a curve, counted pixel by pixel, miss this area at any distance. Source: measured on discs of radius 2.4 to
        # 12 px, within 0.1 px2 of 6.3 per disc; the spacing alone explains 1/24 of it.
        smooth = np.where(is_corner, 0.0, np.clip(turn, -0.6, 0.6))
        self.curve_px2 += float((smooth * (0.072 + 0.36 * smooth**2)).sum())
        chain = outline.polygon.chain
        run_x, run_y = np.abs(chain.x_px[chain.nxt] - chain.x_px), np.abs(chain.y_px[chain.nxt] - chain.y_px)
        level = np.minimum(run_x, run_y) < 0.01 * np.maximum(run_x, run_y)
        self.level_edge_px += float((outline.length_px * share)[level].sum())

    def add_corner_cuts(self, outline: Outline, own: Bools, squares: Squares, reach_px: float) -> None:
        """Add what the seeds miss at convex corners, by the distance at which the corner's own front is met by another."""
        area_px2, length_px = _corner_cuts(outline)
        at = np.flatnonzero(own & (length_px > 0))
        chain = outline.polygon.chain
        _, (_, back) = chain.hops(1)
        corner_x, corner_y = chain.x_px[at], chain.y_px[at]
        outward = np.arctan2(corner_y - chain.y_px[back[at]], corner_x - chain.x_px[back[at]])
        outward += outline.turn_rad[at] / 2.0 - np.pi / 2.0
        turn = outline.turn_rad[at]
        shares = (np.arange(_RAYS) + 0.5) / _RAYS - 0.5
        # A cut of length p on each side leaves out p sin(turn/2 - |angle|) in each direction of the fan.
        weights = np.sin(np.outer(0.5 - np.abs(shares), turn))
        weights /= weights.sum(0)
        for share, weight in zip(shares, weights, strict=True):
            angle = outward + share * turn
            met = np.full(len(at), len(self.cut_area_px2) - 1)
            for s in _looked_at(reach_px):
                col = np.rint(corner_x + s * np.cos(angle)).astype(np.intp)
                row = np.rint(corner_y + s * np.sin(angle)).astype(np.intp)
                inside = (col >= 0) & (col < squares.shape[1]) & (row >= 0) & (row < squares.shape[0])
                away = np.full(len(at), np.inf)
                away[inside] = np.sqrt(squares[row[inside], col[inside]] / scale_for(reach_px))
                met[away < np.hypot(col - corner_x, row - corner_y) - _MET_SLACK_PX] = s
            np.add.at(self.cut_area_px2, met, weight * area_px2[at])
            np.add.at(self.cut_length_px, met, weight * length_px[at])

    def add_seeds(self, seeds: Seeds, own: Bools) -> None:
        """Add the length of contour by its angle to the lines that carry the seeds."""
        angle = np.arctan(np.abs(seeds.slope[own]))
        place = np.minimum(np.rint(angle * ((ANGLE_BINS - 1) / (np.pi / 4.0))).astype(np.intp), ANGLE_BINS - 1)
        self.by_angle += np.bincount(place, seeds.gap_px[own], minlength=ANGLE_BINS)

    def add_gaps(self, gaps: Gaps) -> None:
        """Add resist lines: their half widths by length, and the pixels on both sides of their middles."""
        half = gaps.width_px / 2.0
        bins = np.minimum(np.rint(half * PER_PX).astype(np.intp), len(self.half_widths) - 1)
        lines = gaps.is_strip
        self.half_widths += np.bincount(bins[lines], gaps.length_px[lines], minlength=len(self.half_widths))
        middle = np.where(gaps.along_y, gaps.y_px, gaps.x_px)
        part = middle - np.floor(middle)
        for away in (part, 1.0 - part):
            off = away / gaps.length_px
            near = lines & (off < 0.5)
            place = np.minimum((off[near] * 2 * MIDDLE_BINS).astype(np.intp), MIDDLE_BINS - 1)
            np.add.at(self.middles, (bins[near], place), 1.0)


def _looked_at(reach_px: float) -> list[int]:
    """Return distances from the reach down to 1 px, closer together near the corner."""
    steps = [1]
    while steps[-1] < reach_px - 1.0:
        steps.append(min(steps[-1] + max(1, steps[-1] // 5), int(reach_px)))
    return steps[::-1]


def _corner_cuts(outline: Outline) -> tuple[Floats, Floats]:
    """Return per vertex the area and the length that the polygon through the seeds cuts off a restored convex corner.

    A concave corner loses nothing: its cut is overgrown at once.
    """
    chain, turn = outline.polygon.chain, outline.turn_rad
    (_, one), (_, back) = chain.hops(1)
    before, after = _to_seed(chain, back), _to_seed(chain, one)
    cut = outline.polygon.is_corner & (turn > 0)
    chord = np.sqrt(np.maximum(before**2 + after**2 + 2.0 * before * after * np.cos(turn), 0.0))
    return np.where(cut, before * after * np.sin(turn) / 2.0, 0.0), np.where(cut, before + after - chord, 0.0)


def _to_seed(chain: Chain, other: Ints) -> Floats:
    """Return the distance in px from each vertex to the first whole line on its way to vertex ``other``."""
    run_x, run_y = chain.x_px[other] - chain.x_px, chain.y_px[other] - chain.y_px
    flat = np.abs(run_x) >= np.abs(run_y)
    start, run = np.where(flat, chain.x_px, chain.y_px), np.where(flat, run_x, run_y)
    to_line = np.where(run > 0, np.ceil(start) - start, start - np.floor(start))
    length = np.hypot(run_x, run_y)
    result: Floats = np.minimum(to_line * length / np.maximum(np.abs(run), 1e-9), length)
    return result
