"""How fast each place of the sheet etches against the mean: the true current distribution on it.

The distribution is that of the fresh plate, and it stays. A real one changes as the openings grow
by the undercut, a few tenths of a millimetre, which is little beside the gap and the floors.
"""

from __future__ import annotations

import math

import numpy as np

from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.solver import Bath, true_ratios
from hardware.rehearsal.level_set.edges import Floats
from hardware.rehearsal.level_set.overview import Overview, blocks

FINEST_MM = 0.1
"""Finest cells of the field, mm."""

MOST_CELLS = 60_000
"""Most cells of the field on the plate: 0.13 mm for 1000 mm2, 1 mm for A4. A lone line narrower
than a cell etches at the mean over its cell's open metal."""


_WHOLE = 1.0 - 1e-6


class PaceMap:
    """Local etching speed over the mean speed, over the sheet and under its resist.

    :param overview: the sheet.
    :param px_mm: side of the sheet's pixels.
    :param finest_mm: finest cells of the field, mm.
    :param reach_mm: how far the openings' speeds go on under the resist.
    Raises: UnsettledError.
    """

    def __init__(
        self,
        overview: Overview,
        px_mm: float,
        reach_mm: float,
        bath: Bath,
        kinetics: Kinetics,
        *,
        finest_mm: float = FINEST_MM,
    ) -> None:
        area_mm2 = overview.share.size * overview.cell_mm**2
        wanted_mm = max(finest_mm, math.sqrt(area_mm2 / MOST_CELLS))
        step = max(1, math.ceil(wanted_mm / overview.cell_mm - 1e-9))
        share = blocks(overview.share, step)
        self.cell_mm = step * overview.cell_mm
        ratios = _without_slivers(true_ratios(share, self.cell_mm, bath, kinetics), share)
        self._values = _spread(ratios, share > 0.0, math.ceil(reach_mm / self.cell_mm) + 2)
        self._px_per_cell = self.cell_mm / px_mm
        self.fastest = float(self._values.max())

    def over(self, top: int, bottom: int, left: int, right: int) -> Floats:
        """Return the speeds of the pixels of a rectangle, linear between the cells' centres.

        Beyond the sheet those of its edge go on.
        """
        rows = self._across(top, bottom, self._values.shape[0])
        columns = self._across(left, right, self._values.shape[1])
        band = _between(self._values, *rows)
        return np.ascontiguousarray(_between(band.T, *columns).T)

    def _across(self, first: int, last: int, count: int) -> tuple[Floats, int]:
        places = (np.arange(first, last) + 0.5) / self._px_per_cell - 0.5
        return np.clip(places, 0.0, count - 1.0), count


def _between(values: Floats, places: Floats, count: int) -> Floats:
    before = np.minimum(places.astype(np.intp), max(count - 2, 0))
    share = (places - before)[:, None]
    result: Floats = (
        values[before] * (1.0 - share) + values[np.minimum(before + 1, count - 1)] * share
    )
    return result


def _spread(ratios: Floats, is_known: np.typing.NDArray[np.bool_], rings: int) -> Floats:
    """Return the ratios with each ring of cells around the openings at its neighbours' mean.

    Cells beyond the last ring, which nothing reaches, have the mean speed, 1.
    """
    values, known = np.where(is_known, ratios, 0.0), is_known.astype(np.float64)
    for _ in range(rings):
        if known.all():
            break
        around, number = _eight(values), _eight(known)
        fresh = (known == 0.0) & (number > 0.0)
        values = np.where(fresh, around / np.maximum(number, 1.0), values)
        known = np.where(fresh, 1.0, known)
    return np.where(known > 0.0, values, 1.0)


def _without_slivers(ratios: Floats, share: Floats) -> Floats:
    """Return the ratios, those of partly open cells at the mean of their surroundings.

    A sliver at an edge belongs to the opening beside it. Alone it would draw the current of its
    whole cell.
    """
    around = _eight(ratios * share) / np.maximum(_eight(share), 1e-9)
    return np.where((share > 0.0) & (share < _WHOLE), around, ratios)


def _eight(values: Floats) -> Floats:
    """Return the sum over each cell and its eight neighbours."""
    wide = np.pad(values, 1)
    rows = wide[:-2] + wide[1:-1] + wide[2:]
    total: Floats = rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]
    return total
