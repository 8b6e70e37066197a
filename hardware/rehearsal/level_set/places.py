"""The true depth at places of the plate, gathered tile by tile from the etched surface."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from controller.artwork.measuring.sheet import Sheet
from hardware.rehearsal.front_table import Spot
from hardware.rehearsal.level_set.edges import Floats
from hardware.rehearsal.level_set.overview import Overview

KINDS = ("lines-under-0.3-mm", "lines-0.3-to-1-mm", "lines-1-to-3-mm", "wider-than-3-mm")
"""Names of all openings of one kind, from the narrowest, as Overview.kinds counts them. The other
names mean one spot."""

DEEPEST = "deepest-twentieth"
DEEPEST_SHARE = 0.05

TIPS_MM = (0.05, 0.15, 0.5)
"""The depth of a spot is that of the open metal within the first of these radii that has any, mm.
It is that of the floor, since the openings count as they were before the undercut."""

_BINS = 2000


class TrueDepths:
    """Gathers the depths of the open metal.

    :param most: no depth is greater. The unit of depths is free.
    """

    def __init__(
        self, sheet: Sheet, overview: Overview, spots: Sequence[Spot], most: float
    ) -> None:
        self._spots, self._px_mm, self._origin_mm = spots, sheet.px_mm, sheet.origin_mm
        self._overview = overview
        self._per_bin = most / _BINS
        self._of_kinds = np.zeros((2, len(KINDS)))
        self._of_bins = np.zeros((2, _BINS + 1))
        self._of_spots = np.zeros((2, len(spots), len(TIPS_MM)))

    def add(self, top_px: int, left_px: int, depth: Floats, weight: Floats, finer: int) -> None:
        """Add a tile.

        :param depth: of each cell.
        :param weight: open metal of each cell.
        :param finer: cells per pixel, each way.
        """
        rows, columns = (
            first + (np.arange(count) + 0.5) / finer
            for first, count in zip((top_px, left_px), depth.shape, strict=True)
        )
        step = self._overview.step
        kinds = self._overview.kinds[
            np.ix_((rows / step).astype(int), (columns / step).astype(int))
        ]
        bins = np.minimum((depth / self._per_bin).astype(np.intp), _BINS)
        for total, values in enumerate((weight, weight * depth)):
            self._of_kinds[total] += np.bincount(kinds.ravel(), values.ravel(), len(KINDS))
            self._of_bins[total] += np.bincount(bins.ravel(), values.ravel(), _BINS + 1)
        x_mm = columns * self._px_mm + self._origin_mm[0]
        y_mm = rows * self._px_mm + self._origin_mm[1]
        for index, spot in enumerate(self._spots):
            near_x = np.flatnonzero(np.abs(x_mm - spot.x_mm) <= TIPS_MM[-1])
            near_y = np.flatnonzero(np.abs(y_mm - spot.y_mm) <= TIPS_MM[-1])
            if not (len(near_x) and len(near_y)):
                continue
            here = np.ix_(near_y, near_x)
            away = np.hypot(x_mm[near_x] - spot.x_mm, (y_mm[near_y] - spot.y_mm)[:, None])
            for tip, radius_mm in enumerate(TIPS_MM):
                inside = weight[here] * (away <= radius_mm)
                self._of_spots[:, index, tip] += inside.sum(), (inside * depth[here]).sum()

    def over(self, mean: float) -> tuple[float | None, ...]:
        """Return the depth of each spot over a mean depth, None where no metal is open."""
        return tuple(
            None if weight <= 0.0 else float(total / weight / mean)
            for weight, total in map(self._sums, range(len(self._spots)))
        )

    def _sums(self, index: int) -> tuple[float, float]:
        """Return open metal, and that times its depth, of the spot with an index."""
        name = self._spots[index].name
        if name in KINDS:
            weight, total = self._of_kinds[:, KINDS.index(name)]
            return float(weight), float(total)
        if name == DEEPEST:
            return self._deepest()
        for weight, total in self._of_spots[:, index].T:
            if weight > 0.0:
                return float(weight), float(total)
        return 0.0, 0.0

    def _deepest(self) -> tuple[float, float]:
        """Return the same of the deepest twentieth of the open metal."""
        weights, totals = self._of_bins[:, ::-1]
        wanted = DEEPEST_SHARE * weights.sum()
        before = np.append(0.0, np.cumsum(weights)[:-1])
        parts = np.clip(wanted - before, 0.0, weights)
        shares = np.divide(parts, weights, out=np.zeros_like(parts), where=weights > 0.0)
        return float(parts.sum()), float((shares * totals).sum())
