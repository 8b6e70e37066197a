"""Depth of the open floor over the depth in the middle of the widest floor, at each pixel."""

from __future__ import annotations

import numpy as np
import numpy.fft  # a confined process can import nothing later
from PIL import Image

from controller.artwork.distribution.currents import joined, joined_pixels
from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.outline.chain import Bools, Floats
from controller.artwork.relief.grid import PlateGrid
from controller.physics.bath_field import BathField

_COARSE_SIDE_PX = 240
"""Longest side of the grid on which the widest floor is searched."""

LEAST_SHARE = 0.02


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
        """Return row and column of the middle of the widest floor."""
        step = max(1, -(-max(self.share.shape) // _COARSE_SIDE_PX))
        row, column = farthest_from_edge(joined(self.share, step) >= 0.5)
        row, column = row * step + step // 2, column * step + step // 2
        return min(row, self.share.shape[0] - 1), min(column, self.share.shape[1] - 1)


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


def farthest_from_edge(is_open: Bools) -> tuple[int, int]:
    """Return row and column of the open pixel farthest from resist and from the plate's edge."""
    padded = np.pad(is_open, 1)
    height, width = padded.shape
    far = float(height + width)
    along = np.where(padded, far, 0.0)
    for column in range(1, width):
        np.minimum(along[:, column], along[:, column - 1] + 1.0, out=along[:, column])
    for column in range(width - 2, -1, -1):
        np.minimum(along[:, column], along[:, column + 1] + 1.0, out=along[:, column])
    squares = np.square(along)
    nearest = squares.copy()
    for step in range(1, height):
        loss = float(step * step)
        np.minimum(nearest[step:], squares[:-step] + loss, out=nearest[step:])
        np.minimum(nearest[:-step], squares[step:] + loss, out=nearest[:-step])
    row, column = divmod(int(nearest.argmax()), width)
    return row - 1, column - 1


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
