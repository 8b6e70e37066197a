"""Finds where contours cross whole columns and rows. Distances are measured from these points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork.outline.chain import Chain, Floats, Ints

_LONGEST_PX = 16
"""Grid lines that one segment may cross; segments next to a restored corner are up to ten long."""


@dataclass(frozen=True)
class Seeds:
    """Crossings with whole columns (or rows) of segments that cross them at 45 degrees or more.

    :param line: column (or row).
    :param at_px: position along that line.
    :param slope: rise of the segment per line, signed.
    :param enters: True where the position along the line rises from resist into the open region.
    """

    line: Ints
    at_px: Floats
    slope: Floats
    enters: np.typing.NDArray[np.bool_]

    @property
    def gap_px(self) -> Floats:
        """Distance along the contour from one crossing to the next: 1 to 1.41 px."""
        gap: Floats = np.sqrt(1.0 + self.slope**2)
        return gap


def column_and_row_seeds(chain: Chain) -> tuple[Seeds, Seeds]:
    """Return the crossings with columns (position = y) and with rows (position = x)."""
    x, y = chain.x_px, chain.y_px
    run_x, run_y = x[chain.nxt] - x, y[chain.nxt] - y
    flat = np.abs(run_x) >= np.abs(run_y)
    # Open lies to the right of travel with y down: going to the right, the region below is open.
    columns = _crossings(x[flat], y[flat], run_x[flat], run_y[flat], enters_when_rising=True)
    rows = _crossings(y[~flat], x[~flat], run_y[~flat], run_x[~flat], enters_when_rising=False)
    return columns, rows


def _crossings(
    start: Floats, across: Floats, run: Floats, rise: Floats, *, enters_when_rising: bool
) -> Seeds:
    """Return the crossings of segments with whole lines.

    A vertex on a line counts for one of its two segments.
    """
    low, high = np.minimum(start, start + run), np.maximum(start, start + run)
    first, last = np.floor(low).astype(np.intp) + 1, np.floor(high).astype(np.intp)
    count = np.clip(last - first + 1, 0, _LONGEST_PX)
    segment = np.repeat(np.arange(len(start)), count)
    line = first[segment] + np.arange(len(segment)) - np.repeat(np.cumsum(count) - count, count)
    slope = rise[segment] / run[segment]
    at_px = across[segment] + (line - start[segment]) * slope
    enters = (run[segment] > 0) if enters_when_rising else (run[segment] < 0)
    return Seeds(line, at_px, slope, enters)
