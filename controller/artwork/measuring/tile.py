"""Measures one tile of a sheet: contours, distances, lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork.distances.distance import Squares, squared_distance
from controller.artwork.distances.gaps import Gaps, find_gaps
from controller.artwork.distances.seeds import column_and_row_seeds
from controller.artwork.measuring.tally import Tally
from controller.artwork.outline.chain import Bools, Chain, Cover, Floats
from controller.artwork.outline.polygon import outline, seed_chain

HALO_PX = 14
"""Rim around a tile beyond the reach: corners look 17 vertices along the contour, which turn within
this."""


@dataclass(frozen=True)
class TileFrame:
    """Where a tile lies.

    :param top, left, bottom, right: the part of the array that this tile counts.
    :param plate: top, left, bottom, right edge of the plate in the array, pixel centres at whole
        numbers.
    :param is_outer: whether top, left, bottom and right side are sides of the canvas. What starts
        beyond such a side is counted too.
    """

    top: int
    left: int
    bottom: int
    right: int
    plate: tuple[float, float, float, float]
    is_outer: tuple[bool, bool, bool, bool]

    def shares(self, chain: Chain) -> Floats:
        """Return the share of each segment that this tile counts: segments that start in its part,
        cut at the plate.
        """
        x, y = chain.x_px, chain.y_px
        low = [
            -np.inf if outer else side - 0.5
            for side, outer in zip((self.top, self.left), self.is_outer[:2], strict=True)
        ]
        high = [
            np.inf if outer else side - 0.5
            for side, outer in zip((self.bottom, self.right), self.is_outer[2:], strict=True)
        ]
        own = (y >= low[0]) & (y < high[0]) & (x >= low[1]) & (x < high[1])
        start, end = np.zeros(len(x)), np.ones(len(x))
        for at, edges in ((x, self.plate[1::2]), (y, self.plate[0::2])):
            run = at[chain.nxt] - at
            with np.errstate(divide="ignore", invalid="ignore"):
                first, last = (edges[0] - at) / run, (edges[1] - at) / run
            level = run == 0.0
            inside = (at >= edges[0]) & (at < edges[1])
            start = np.maximum(
                start, np.where(level, np.where(inside, 0.0, 1.0), np.minimum(first, last))
            )
            end = np.minimum(end, np.where(level, 1.0, np.maximum(first, last)))
        return np.where(own, np.clip(end - start, 0.0, 1.0), 0.0)

    def owns(self, x_px: Floats, y_px: Floats) -> Bools:
        """Return which points this tile counts: those inside its part and inside the plate."""
        top, left, bottom, right = self.plate
        return (
            (x_px >= max(self.left - 0.5, left))
            & (x_px < min(self.right - 0.5, right))
            & (y_px >= max(self.top - 0.5, top))
            & (y_px < min(self.bottom - 0.5, bottom))
        )


def measure_tile(
    cover: Cover,
    full: int,
    frame: TileFrame,
    reach_px: float,
    noise_range_px: tuple[float, float],
    tally: Tally,
) -> tuple[Squares, Gaps]:
    """Add a tile's contours to the tally.

    Return squared distances of the counted part, and its lines.
    """
    found = outline(cover, full, noise_range_px)
    chain = found.polygon.chain
    own = frame.owns(chain.x_px, chain.y_px)
    tally.add_outline(found, own, frame.shares(chain))
    columns, rows = column_and_row_seeds(seed_chain(found))
    for seeds, x_px, y_px in (
        (columns, columns.line, columns.at_px),
        (rows, rows.at_px, rows.line),
    ):
        tally.add_seeds(
            seeds, frame.owns(np.asarray(x_px, np.float64), np.asarray(y_px, np.float64))
        )
    squares = squared_distance((cover.shape[0], cover.shape[1]), columns, rows, reach_px)
    tally.add_corner_cuts(found, own, squares, reach_px)
    gaps = find_gaps(columns, rows, squares, reach_px)
    gaps = gaps.only(frame.owns(gaps.x_px, gaps.y_px))
    tally.add_gaps(gaps.only(gaps.resist))
    return squares[frame.top : frame.bottom, frame.left : frame.right], gaps
