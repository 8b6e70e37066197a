"""Finds lines between two facing edges, of resist or open, with their widths and middles."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from controller.artwork.distances.distance import Squares, scale_for
from controller.artwork.distances.seeds import Seeds
from controller.artwork.outline.chain import Bools, Floats, Ints

_FACING_RAD = np.radians(90.0)
"""Edges at a larger angle do not face each other."""

_STRIP_RAD = np.radians(30.0)
"""Up to this angle the fronts from both edges meet nearly at once: a strip that closes, also
between dots."""

_LINE_SLOPE = 1.0 / 6.0
_LEAST_LINE_PX = 0.35
"""The width of a line changes by at most a quarter over three widths and over two pixels: its edges
lean by at most 1/6, and by at most a quarter of the width in px. Below 0.35 px noise decides.
Everything else is the point of a wedge."""

_MIDDLE_SLACK_PX = 0.8
"""The middle of a line must be half its width away from every edge, less the resolution of the
pixel grid (0.71 px)."""

_LINE = 16384.0
"""More than the largest position along a grid line, px. Used to sort by line and position in one
number."""


@dataclass(frozen=True)
class Gaps:
    """Samples of lines, one for each grid line that crosses them.

    :param x_px, y_px: middle of the line.
    :param width_px: across the line.
    :param length_px: of the line, per sample: 1 to 1.41 px.
    :param resist: True for resist between two open fields, False for an open line.
    :param along_y: the sample lies on a column.
    :param reach_px: length of the crossing along the grid line.
    :param lean_rad: angle between the two edges.
    """

    x_px: Floats
    y_px: Floats
    width_px: Floats
    length_px: Floats
    resist: Bools
    along_y: Bools
    reach_px: Floats
    lean_rad: Floats

    @property
    def is_strip(self) -> Bools:
        """Samples whose two edges are within 30 degrees of parallel."""
        result: Bools = self.lean_rad <= _STRIP_RAD
        return result

    @property
    def is_line(self) -> Bools:
        """Samples of lines, where the width hardly changes around the sample."""
        slope = np.minimum(_LINE_SLOPE, 0.25 * self.width_px)
        result: Bools = (np.tan(self.lean_rad) <= slope) & (self.width_px >= _LEAST_LINE_PX)
        return result

    def only(self, keep: Bools | Ints) -> Gaps:
        """Return the samples to keep."""
        return Gaps(*(values[keep] for values in vars(self).values()))

    def moved(self, x_px: float, y_px: float) -> Gaps:
        """Return the samples with their places shifted."""
        return replace(self, x_px=self.x_px + x_px, y_px=self.y_px + y_px)

    @staticmethod
    def joined(parts: list[Gaps]) -> Gaps:
        """Return all samples of several tiles."""
        return Gaps(
            *(
                np.concatenate(columns)
                for columns in zip(*(vars(part).values() for part in parts), strict=True)
            )
        )


def find_gaps(columns: Seeds, rows: Seeds, squares: Squares, reach_px: float) -> Gaps:
    """Return the lines of a tile whose half width stays below ``reach_px``.

    :param squares: squared distances of all pixels, resist and open, in units of
        1/scale_for(reach_px) px2.
    """
    parts = []
    for seeds, along_y in ((columns, True), (rows, False)):
        order = np.argsort(
            seeds.line * _LINE + seeds.at_px, kind="stable"
        )  # half the time of np.lexsort
        line, at_px = seeds.line[order], seeds.at_px[order]
        angle, enters = np.arctan(seeds.slope[order]), seeds.enters[order]
        between = (line[1:] == line[:-1]) & (enters[1:] != enters[:-1])
        lean = np.abs(angle[1:] - angle[:-1])
        between &= lean <= _FACING_RAD
        reach = at_px[1:] - at_px[:-1]
        between &= reach < 2.0 * reach_px * np.sqrt(2.0)
        pair = np.flatnonzero(between)
        middle = (at_px[pair] + at_px[pair + 1]) / 2.0
        cosine = (np.cos(angle[pair]) + np.cos(angle[pair + 1])) / 2.0
        at = line[pair].astype(np.float64)
        parts.append(
            Gaps(
                x_px=at if along_y else middle,
                y_px=middle if along_y else at,
                width_px=reach[pair] * cosine,
                length_px=1.0 / cosine,
                resist=~enters[pair],
                along_y=np.full(len(pair), along_y),
                reach_px=reach[pair],
                lean_rad=lean[pair],
            )
        )
    gaps = Gaps.joined(parts)
    col, row = np.rint(gaps.x_px).astype(np.intp), np.rint(gaps.y_px).astype(np.intp)
    height, width = squares.shape
    inside = (
        (col >= 0) & (col < width) & (row >= 0) & (row < height) & (gaps.width_px < 2.0 * reach_px)
    )
    gaps = gaps.only(inside)
    away = np.sqrt(squares[row[inside], col[inside]] / scale_for(reach_px))
    return gaps.only(away > gaps.width_px / 2.0 - _MIDDLE_SLACK_PX)
