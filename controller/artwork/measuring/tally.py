"""Sums over the tiles of a sheet, in pixels of the measuring grid."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.distances.distance import Squares, scale_for
from controller.artwork.distances.gaps import Gaps
from controller.artwork.distances.seeds import Seeds
from controller.artwork.outline.chain import Bools, Chain, Floats, Ints, length_of
from controller.artwork.outline.polygon import Outline

PER_PX = 16
"""Bins per pixel of the line widths."""

MIDDLE_BINS = 8
"""Bins over the half pixel next to the middle of a line."""

ANGLE_BINS = 181
"""Bins of the angle between contour and seed lines, 0 to 45 degrees."""

_MET_SLACK_PX = 0.3
"""A corner's front has met another when a pixel in front of the corner is nearer to a seed than to
the corner by this much."""

_RAYS = 5
"""Directions that are checked in front of a corner, evenly over its fan. Neighbouring fronts enter
the fan from its sides."""


class Tally:
    """Sums over tiles; each part of the sheet is counted by exactly one tile.

    :param reach_px: distances up to this are counted.
    """

    def __init__(self, reach_px: float) -> None:
        self._reach_square = int(np.ceil(reach_px**2 * scale_for(reach_px)))
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

    def add_squares(
        self, squares: Squares, is_open: Bools, weight_y: Floats, weight_x: Floats
    ) -> None:
        """Count the pixels of a tile by squared distance. Open pixels count as 0, and those beyond
        the reach as the farthest.

        :param weight_y, weight_x: share of each row and column inside the plate: 1 but for the
            outermost ones.
        """
        rows, columns = _whole(weight_y), _whole(weight_x)
        every = slice(None)
        parts = [(rows, columns)]
        parts += [(part, every) for part in (slice(0, rows.start), slice(rows.stop, len(weight_y)))]
        parts += [
            (rows, part) for part in (slice(0, columns.start), slice(columns.stop, len(weight_x)))
        ]
        for number, part in enumerate(parts):
            weight = np.outer(weight_y[part[0]], weight_x[part[1]]) if number else None
            self._add_part(squares[part], is_open[part], weight)

    def _add_part(self, squares: Squares, is_open: Bools, weight: Floats | None) -> None:
        if not squares.size:
            return
        near = ~is_open & (squares <= self._reach_square)
        total_px: float
        open_px: float
        near_px: float
        if weight is None:
            total_px, open_px, near_px = (
                squares.size,
                int(np.count_nonzero(is_open)),
                int(np.count_nonzero(near)),
            )
        else:
            total_px, open_px, near_px = weight.sum(), weight[is_open].sum(), weight[near].sum()
        self.histogram += np.bincount(
            squares[near], None if weight is None else weight[near], minlength=65536
        )
        self.histogram[0] += open_px
        self.histogram[-1] += total_px - open_px - near_px

    def add_outline(self, outline: Outline, own: Bools, share: Floats) -> None:
        """Add lengths, by the share of each segment, and turns of the vertices that belong to the
        tile.
        """
        turn, is_corner = outline.turn_rad[own], outline.polygon.is_corner[own]
        self.edge_px += float((outline.length_px * share).sum())
        self.vertices += int(np.count_nonzero(own))
        self.noise_px2 += outline.noise_px**2 * int(np.count_nonzero(own))
        bend = np.abs(turn)
        self.doubt_px += float(outline.doubt_px[own].sum())
        inward = np.where(is_corner, 2.0 * np.tan(np.minimum(bend, 2.6) / 2.0), bend)
        self.bend_rad += float(np.where(turn > 0, turn, -inward).sum())
        # Points on a curve, counted pixel by pixel, miss this area at any distance. Source:
        # measured on discs of radius 2.4 to 12 px, within 0.1 px2 of 6.3 per disc; the spacing
        # alone explains 1/24 of it.
        smooth = np.where(is_corner, 0.0, np.clip(turn, -0.6, 0.6))
        self.curve_px2 += float((smooth * (0.072 + 0.36 * smooth**2)).sum())
        chain = outline.polygon.chain
        run_x, run_y = (
            np.abs(chain.x_px[chain.nxt] - chain.x_px),
            np.abs(chain.y_px[chain.nxt] - chain.y_px),
        )
        level = np.minimum(run_x, run_y) < 0.01 * np.maximum(run_x, run_y)
        self.level_edge_px += float((outline.length_px * share)[level].sum())

    def add_corner_cuts(
        self, outline: Outline, own: Bools, squares: Squares, reach_px: float
    ) -> None:
        """Add what the seeds miss at convex corners, by the distance at which another front meets
        that of the corner.
        """
        at = np.flatnonzero(own & outline.polygon.is_corner & (outline.turn_rad > 0))
        if not len(at):
            return
        chain, turn = outline.polygon.chain, outline.turn_rad[at]
        corner_x, corner_y, back = chain.x_px[at], chain.y_px[at], chain.back[at]
        area_px2, length_px = _corner_cuts(chain, at, turn)
        outward = np.arctan2(corner_y - chain.y_px[back], corner_x - chain.x_px[back])
        outward += turn / 2.0 - np.pi / 2.0
        shares = ((np.arange(_RAYS) + 0.5) / _RAYS - 0.5)[:, None]
        # A cut of length p on each side leaves out p sin(turn/2 - |angle|) in each direction of the
        # fan.
        weights = np.sin((0.5 - np.abs(shares)) * turn)
        weights /= weights.sum(0)
        angle = outward + shares * turn
        ray_x, ray_y = np.cos(angle), np.sin(angle)
        met = np.full(angle.shape, len(self.cut_area_px2) - 1)
        for s in _looked_at(reach_px):
            col = np.rint(corner_x + s * ray_x).astype(np.intp)
            row = np.rint(corner_y + s * ray_y).astype(np.intp)
            inside = (col >= 0) & (col < squares.shape[1]) & (row >= 0) & (row < squares.shape[0])
            away = np.full(angle.shape, np.inf)
            away[inside] = np.sqrt(squares[row[inside], col[inside]] / scale_for(reach_px))
            met[away < length_of(col - corner_x, row - corner_y) - _MET_SLACK_PX] = s
        bins = len(self.cut_area_px2)
        self.cut_area_px2 += np.bincount(met.ravel(), (weights * area_px2).ravel(), minlength=bins)
        self.cut_length_px += np.bincount(
            met.ravel(), (weights * length_px).ravel(), minlength=bins
        )

    def add_seeds(self, seeds: Seeds, own: Bools) -> None:
        """Add the length of contour by its angle to the lines that carry the seeds."""
        angle = np.arctan(np.abs(seeds.slope[own]))
        place = np.minimum(
            np.rint(angle * ((ANGLE_BINS - 1) / (np.pi / 4.0))).astype(np.intp), ANGLE_BINS - 1
        )
        self.by_angle += np.bincount(place, seeds.gap_px[own], minlength=ANGLE_BINS)

    def add_gaps(self, gaps: Gaps) -> None:
        """Add resist lines: their half widths by length, and the pixels on both sides of their
        middles.
        """
        half = gaps.width_px / 2.0
        bins = np.minimum(np.rint(half * PER_PX).astype(np.intp), len(self.half_widths) - 1)
        lines = gaps.is_strip
        self.half_widths += np.bincount(
            bins[lines], gaps.length_px[lines], minlength=len(self.half_widths)
        )
        middle = np.where(gaps.along_y, gaps.y_px, gaps.x_px)
        part = middle - np.floor(middle)
        for away in (part, 1.0 - part):
            off = away / gaps.length_px
            near = lines & (off < 0.5)
            place = np.minimum((off[near] * 2 * MIDDLE_BINS).astype(np.intp), MIDDLE_BINS - 1)
            np.add.at(self.middles, (bins[near], place), 1.0)


def _looked_at(reach_px: float) -> list[int]:
    """Return distances to check, from the reach down to 1 px, denser near the corner."""
    steps = [1]
    while steps[-1] < reach_px - 1.0:
        steps.append(min(steps[-1] + max(1, steps[-1] // 5), int(reach_px)))
    return steps[::-1]


def _whole(weight: Floats) -> slice:
    """Return the rows or columns that lie wholly inside the plate."""
    first = 1 if weight[0] < 1.0 else 0
    return slice(first, max(first, len(weight) - 1 if weight[-1] < 1.0 else len(weight)))


def _corner_cuts(chain: Chain, at: Ints, turn_rad: Floats) -> tuple[Floats, Floats]:
    """Return the area and the length that the polygon through the seeds cuts off restored convex
    corners.

    A concave corner loses nothing, because its cut is overgrown at once.
    """
    before, after = _to_seed(chain, at, chain.back[at]), _to_seed(chain, at, chain.nxt[at])
    chord = np.sqrt(np.maximum(before**2 + after**2 + 2.0 * before * after * np.cos(turn_rad), 0.0))
    return before * after * np.sin(turn_rad) / 2.0, before + after - chord


def _to_seed(chain: Chain, at: Ints, other: Ints) -> Floats:
    """Return the distance in px from vertices ``at`` to the first whole line on their way to
    vertices ``other``.
    """
    x, y = chain.x_px[at], chain.y_px[at]
    run_x, run_y = chain.x_px[other] - x, chain.y_px[other] - y
    flat = np.abs(run_x) >= np.abs(run_y)
    start, run = np.where(flat, x, y), np.where(flat, run_x, run_y)
    to_line = np.where(run > 0, np.ceil(start) - start, start - np.floor(start))
    length = length_of(run_x, run_y)
    result: Floats = np.minimum(to_line * length / np.maximum(np.abs(run), 1e-9), length)
    return result
