"""The undercut expected at each place of the sheet."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from controller.artwork import limits
from controller.artwork.distribution.currents import current_ratios
from controller.artwork.distribution.widths import middle_of, rim_distance
from controller.artwork.film.options import FilmOptions
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError

_CELL_MM, _MOST_CELLS = 0.1, 500_000
"""Side of the cells that the current is solved on, larger on a large plate. The solver adds the
liquid around the plate, and joins cells when there are more than a million."""

_CARRIED_CELLS = 8
_LEAST_SHARE = 1.0
"""Open cells among nine, below which a rim of shaded pixels would pass for a depth."""


class Undercut:
    """An undercut that is the same everywhere, or differs with the depth.

    :param target_px: at the target depth, in px of the sheet.
    :param ratios: local depth over target depth on a coarse grid, or None when it is even.
    :param step: px of the sheet that one cell of the coarse grid is wide.
    """

    def __init__(self, target_px: float, ratios: Floats | None = None, step: int = 1) -> None:
        self.target_px = target_px
        self._ratios, self._step = ratios, step

    @property
    def least_px(self) -> float:
        """Least undercut on the sheet."""
        return self.target_px * (1.0 if self._ratios is None else float(self._ratios.min()))

    @property
    def most_px(self) -> float:
        """Largest undercut on the sheet."""
        return self.target_px * (1.0 if self._ratios is None else float(self._ratios.max()))

    def over(self, top: int, left: int, height: int, width: int) -> npt.NDArray[np.float32]:
        """Return the undercut of each pixel of a tile. Beyond the sheet the nearest one counts."""
        if self._ratios is None:
            return np.full((height, width), self.target_px, np.float32)
        table = self._ratios
        row, down = self._between(top + np.arange(height), table.shape[0])
        column, right = self._between(left + np.arange(width), table.shape[1])
        lines = table[row] * (1.0 - down)[:, None] + table[row + 1] * down[:, None]
        mixed = lines[:, column] * (1.0 - right) + lines[:, column + 1] * right
        undercut: npt.NDArray[np.float32] = (self.target_px * mixed).astype(np.float32)
        return undercut

    def _between(self, px: npt.NDArray[np.intp], count: int) -> tuple[npt.NDArray[np.intp], Floats]:
        """Return for each pixel the coarse cell before it, and how far it is on to the next."""
        at = np.clip((px + 0.5) / self._step - 0.5, 0.0, count - 1.0)
        first = np.minimum(np.floor(at).astype(np.intp), max(count - 2, 0))
        return first, at - first


def undercut_of(sheet: Sheet, film: FilmOptions) -> Undercut:
    """Return the undercut at each place of the sheet: local depth over etch factor.

    The target depth is that in the middle of the widest floor. Deeper places are undercut further.
    Raises: RefusedError when nothing is open.
    """
    target_px = film.undercut_mm / sheet.px_mm
    if film.field is None or film.evenness == 0.0:
        return Undercut(target_px)
    cell_mm = max(_CELL_MM, math.sqrt(sheet.plate_mm[0] * sheet.plate_mm[1] / _MOST_CELLS))
    step = math.ceil(cell_mm / sheet.px_mm)
    share = _open_share(sheet, step)
    ratios = current_ratios(share, sheet.px_mm * step, film.field, film.evenness)
    smooth = _carried(_around(ratios * share), _around(share))
    undercut = Undercut(target_px, smooth / smooth[_floor_middle(share)], step)
    most_mm = undercut.most_px * sheet.px_mm
    if most_mm > limits.MAX_UNDERCUT_MM:
        raise RefusedError(
            "artwork.film.deep_places",
            field="evenness",
            evenness=film.evenness,
            undercut_mm=most_mm,
            limit_mm=limits.MAX_UNDERCUT_MM,
        )
    return undercut


def _open_share(sheet: Sheet, step: int) -> Floats:
    """Return the open share of squares of ``step`` pixels. Beyond the sheet nothing is open."""
    rows = []
    for top in range(0, sheet.height_px, step):
        band = sheet.rows(top, min(top + step, sheet.height_px)).sum(0, dtype=np.float64)
        wide = np.pad(band, (0, -len(band) % step)).reshape(-1, step).sum(1)
        rows.append(wide / (sheet.full * step * step))
    return np.array(rows)


def _floor_middle(share: Floats) -> tuple[int, int]:
    """Return the middle of the widest floor."""
    distance = rim_distance(share >= 0.5)
    widest = distance if distance.max() > 0.0 else share
    return middle_of(int(widest.argmax()), share.shape)


def _around(values: Floats) -> Floats:
    """Return the sums over each cell and its eight neighbours."""
    wide = np.pad(values, 1)
    height, width = values.shape
    total = np.zeros_like(values)
    for down in range(3):
        for right in range(3):
            total += wide[down : down + height, right : right + width]
    return total


def _carried(current: Floats, share: Floats) -> Floats:
    """Return current over open share, carried on under the resist.

    Both are sums over nine cells, about as wide as the undercut is long: that is the metal which
    an edge borders on. Under the resist the value of the nearest metal counts, and beyond some
    cells the mean, which no edge reads.
    """
    known = share > _LEAST_SHARE
    filled = np.divide(current, share, out=np.zeros_like(current), where=known)
    mean = float(filled[known].mean())
    for _ in range(_CARRIED_CELLS):
        total, count = _around(filled), _around(known.astype(np.float64))
        new = ~known & (count > 0.0)
        filled[new] = total[new] / count[new]
        known |= new
    return np.where(known, filled, mean)
