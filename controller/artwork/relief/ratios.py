"""Depth of the open floor over the depth in the middle of the widest floor, at each pixel."""

from __future__ import annotations

import numpy as np
import numpy.fft  # a confined process can import nothing later
from PIL import Image

from controller.artwork.distribution.currents import joined, joined_pixels
from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.distribution.widths import rim_distance
from controller.artwork.outline.chain import Floats
from controller.artwork.relief.grid import PlateGrid
from controller.physics.bath_field import BathField

_COARSE_SIDE_PX = 240
"""Longest side of the grid on which the widest floor is searched."""

LEAST_SHARE = 0.02

_JUDGED_AT = 0.5
"""Evenness at which the shallowest spot is judged; the order of the spots hardly depends on it."""


class Currents:
    """The local current density over its mean, on a grid that the solver can afford.

    :param least_step: pixels that are joined along each side, at least.
    """

    def __init__(self, grid: PlateGrid, bath: BathField, least_step: int = 1) -> None:
        needed = joined_pixels(grid.cover.shape, grid.pixel_mm, bath.margin_mm)
        self.step = max(least_step, needed)
        self.share = joined(grid.share, self.step)
        self._solver: CurrentSolver | None = None
        self._bath, self._pixel_mm = bath, grid.pixel_mm * self.step

    def ratios(self, evenness: float) -> Floats:
        """Return the ratio at each joined pixel, 0 where nothing is open."""
        if evenness == 0.0:
            return np.where(self.share >= LEAST_SHARE, 1.0, 0.0)
        if self._solver is None:
            self._solver = CurrentSolver(self.share, self._pixel_mm, self._bath)
        return self._solver.solve(evenness).ratios

    def middle(self) -> tuple[int, int]:
        """Return row and column of the middle of the widest floor.

        Where a floor is long, its middle line is equally wide: it is the shallowest spot of it, as
        in the map's list of places.
        """
        step = max(1, -(-max(self.share.shape) // _COARSE_SIDE_PX))
        is_open = joined(self.share, step) >= 0.5
        if not is_open.any():
            row, column = divmod(int(self.share.argmax()), self.share.shape[1])
            return row, column
        distance = rim_distance(is_open)
        judged = self.ratios(_JUDGED_AT)[step // 2 :: step, step // 2 :: step]
        rows, columns = (min(pair) for pair in zip(judged.shape, is_open.shape, strict=True))
        shown = judged[:rows, :columns]
        is_middle = (distance >= 0.98 * distance.max())[:rows, :columns] & (shown > 0.0)
        at = int(np.where(is_middle, shown, np.inf).argmin())
        row, column = divmod(at, columns)
        return row * step + step // 2, column * step + step // 2


def local_ratios(grid: PlateGrid, bath: BathField, evenness: float) -> Floats:
    """Return the ratio at each open pixel, 0 where nothing is open."""
    if evenness == 0.0:
        return np.where(grid.is_open, 1.0, 0.0)
    currents = Currents(grid, bath)
    coarse = currents.ratios(evenness)
    middle = coarse[currents.middle()]
    if not middle > 0.0:
        middle = float(coarse[coarse > 0.0].min())
    rows, columns = grid.cover.shape
    fine = _enlarged(_or_one(filled(coarse)), currents.step)[:rows, :columns]
    return np.where(grid.is_open, fine / middle, 0.0)


def filled(ratios: Floats, rings: int = 2) -> Floats:
    """Return the ratios with the nearest resist pixels given the mean of their open neighbours."""
    near = ratios.copy()
    for _ in range(rings):
        padded = np.pad(near, 1)
        total, count = np.zeros_like(near), np.zeros_like(near)
        for row in range(3):
            for column in range(3):
                part = padded[row : row + near.shape[0], column : column + near.shape[1]]
                total += part
                count += part > 0.0
        empty = (near <= 0.0) & (count > 0.0)
        near[empty] = total[empty] / count[empty]
    return near


def _or_one(ratios: Floats) -> Floats:
    return np.where(ratios > 0.0, ratios, 1.0)


def _enlarged(values: Floats, step: int) -> Floats:
    """Return the values at ``step`` times as many pixels each way, in straight lines between."""
    if step == 1:
        return values
    image = Image.fromarray(values.astype(np.float32))
    size = image.width * step, image.height * step
    return np.asarray(image.resize(size, Image.Resampling.BILINEAR), np.float64)
