"""The whole sheet at a resolution that fits into memory: open shares, and widths of openings.

The width is this module's own measure: an open place is as wide as the largest disc inside the
opening that covers it, by the thresholds that divide the kinds of lines.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.artwork.measuring.sheet import Sheet
from hardware.rehearsal.level_set.edges import Bools, Floats

MOST_CELLS = 2_000_000
"""Most cells of the overview: 0.04 mm each for a plate of 60 mm, 0.18 mm for A4."""

WIDTHS_MM = (0.3, 1.0, 3.0)
"""Widths that divide the kinds of lines, mm."""

_HALF = 0.5
_BAND_ROWS = 256


class Overview:
    """The open shares of the sheet on cells of whole pixels.

    :ivar share: open share of each cell that lies on the plate.
    :ivar step: pixels along a cell.
    """

    def __init__(self, sheet: Sheet) -> None:
        self.step = max(1, math.ceil(math.sqrt(sheet.width_px * sheet.height_px / MOST_CELLS)))
        self.cell_mm = self.step * sheet.px_mm
        rows = max(_BAND_ROWS // self.step, 1) * self.step
        self.share: npt.NDArray[np.float32] = np.concatenate(
            [self._band(sheet, top, rows) for top in range(0, sheet.height_px, rows)]
        )

    def _band(self, sheet: Sheet, top: int, rows: int) -> npt.NDArray[np.float32]:
        bottom = min(top + rows, sheet.height_px)
        band = sheet.rows(top, bottom).astype(np.float32) / np.float32(sheet.full)
        band *= np.outer(sheet.weight_y[top:bottom], sheet.weight_x).astype(np.float32)
        return blocks(band, self.step).astype(np.float32)

    @cached_property
    def kinds(self) -> npt.NDArray[np.int8]:
        """Kind of each cell by its width: 0 below the first of WIDTHS_MM, and so on."""
        is_open = self.share >= _HALF
        kinds = np.zeros(is_open.shape, np.int8)
        for width_mm in WIDTHS_MM:
            kinds += self._opened(is_open, width_mm / self.cell_mm)
        return kinds

    def _opened(self, is_open: Bools, width: float) -> Bools:
        """Return the cells that a disc of this width, in cells, covers inside the openings.

        An opening of n cells has its middle n/2 + 1/2 from the resist's cells, half a cell less
        where n is even. Half a cell is added to that.
        """
        reach = math.ceil(width / 2.0) + 1
        fits = _distance(~is_open, reach, beyond=True) >= (width + 0.5) / 2.0
        return is_open & (_distance(fits, reach, beyond=False) <= (width + 1.0) / 2.0)


def blocks(values: npt.NDArray[Any], step: int) -> Floats:
    """Return the means of blocks of ``step`` cells each way. Beyond the end there is nothing."""
    height, width = values.shape
    wide = np.pad(values, ((0, -height % step), (0, -width % step)))
    means: Floats = wide.reshape(wide.shape[0] // step, step, -1, step).mean(
        (1, 3), dtype=np.float64
    )
    return means


def _distance(is_goal: Bools, reach: int, *, beyond: bool) -> npt.NDArray[np.float32]:
    """Return the distance of each cell to the nearest goal, in cells, ``reach`` + 1 if further.

    :param beyond: whether what lies outside the sheet is a goal. An opening ends with the plate.
    """
    height, width = is_goal.shape
    wide = np.pad(is_goal, reach, constant_values=beyond)
    rows = np.arange(wide.shape[0], dtype=np.float32)[:, None]
    far = np.float32(4.0 * (reach + 1))
    above = np.maximum.accumulate(np.where(wide, rows, -far), axis=0)
    below = np.minimum.accumulate(np.where(wide, rows, wide.shape[0] + far)[::-1], axis=0)[::-1]
    along = np.minimum(rows - above, below - rows)[reach : reach + height]
    square = np.minimum(along, far) ** 2
    found = np.full((height, width), np.float32((reach + 1) ** 2))
    for shift in range(-reach, reach + 1):
        start = reach + shift
        np.minimum(found, square[:, start : start + width] + np.float32(shift**2), out=found)
    return np.sqrt(found)
