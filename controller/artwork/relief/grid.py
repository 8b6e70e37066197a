"""The plate as a grid of open shares, with the distance of each pixel to the openings' edge.

Runs inside the worker process.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.artwork.distances.distance import scale_for, squared_distance
from controller.artwork.distances.seeds import column_and_row_seeds
from controller.artwork.loading.levels import find_levels
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.measuring.measure import load_picture
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.measuring.tile import HALO_PX
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Bools, Floats, is_open
from controller.artwork.outline.polygon import outline, seed_chain
from controller.errors import RefusedError

Singles = npt.NDArray[np.float32]

_FULL = 255
_TILE_PX = 384
"""Side of a tile. Random noise has 70,000 crossings of contours in it, which take 50 MB."""

_SOFTENED_PX = (0.01, 0.1)
"""Scatter expected of contour vertices: pixels that were averaged are as soft as a scan's."""


@dataclass(frozen=True)
class PlateGrid:
    """The plate.

    :param cover: open share of each pixel, 0 to 255.
    :param pixel_mm: side of a pixel.
    :param origin_mm: x and y of the grid's corner, from the artwork's top left corner.
    """

    cover: npt.NDArray[np.uint8]
    pixel_mm: float
    origin_mm: tuple[float, float]

    @property
    def is_open(self) -> Bools:
        """Which pixels are open metal."""
        return is_open(self.cover, _FULL)

    @property
    def share(self) -> Floats:
        """Open share of each pixel, 0 to 1."""
        shares: Floats = self.cover / float(_FULL)
        return shares

    def distance_px(self, reach_px: float) -> Singles:
        """Return the distance to the nearest edge, px: above 0 in resist, below 0 in openings.

        Farther than ``reach_px`` it is the reach.
        """
        height, width = self.cover.shape
        found = np.empty(self.cover.shape, np.float32)
        halo = int(np.ceil(reach_px)) + HALO_PX
        padded = np.pad(self.cover, halo, mode="edge")
        for top in range(0, height, _TILE_PX):
            for left in range(0, width, _TILE_PX):
                bottom, right = min(top + _TILE_PX, height), min(left + _TILE_PX, width)
                tile = padded[top : bottom + 2 * halo, left : right + 2 * halo]
                found[top:bottom, left:right] = _tile_distance_px(tile, reach_px)[
                    halo : halo + bottom - top, halo : halo + right - left
                ]
        signed: Singles = np.where(self.is_open, -found, found)
        return signed


def _tile_distance_px(cover: npt.NDArray[np.uint8], reach_px: float) -> Singles:
    """Return the distance of each pixel of a tile to the nearest edge, px."""
    opened = is_open(cover, _FULL)
    if opened.all() or not opened.any():
        return np.full(cover.shape, reach_px, np.float32)
    chain = seed_chain(outline(np.ascontiguousarray(cover), _FULL, _SOFTENED_PX))
    columns, rows = column_and_row_seeds(chain)
    squares = squared_distance((cover.shape[0], cover.shape[1]), columns, rows, reach_px)
    distance = np.sqrt(squares.astype(np.float32) / np.float32(max(1, scale_for(reach_px))))
    near: Singles = np.minimum(distance, np.float32(reach_px))
    return near


def plate_grid(file: ReadableFile, options: MeasureOptions, most_pixels: int) -> PlateGrid:
    """Return the plate on the finest grid of at most ``most_pixels``.

    Raises: RefusedError when the file cannot be used, or nothing of it is open.
    """
    picture = load_picture(file, options)
    sheet = Sheet(picture, find_levels(picture, options.invert), options)
    block = max(1, int(np.ceil(np.sqrt(sheet.height_px * sheet.width_px / most_pixels))))
    rows = max(1, 512 // block) * block
    bands = [
        _reduced(sheet.rows(top, min(top + rows, sheet.height_px)), block)
        for top in range(0, sheet.height_px, rows)
    ]
    cover = np.concatenate(bands)
    if not is_open(cover, _FULL).any():
        key = "artwork.nothing_light" if options.invert else "artwork.nothing_dark"
        raise RefusedError(key, field="invert", level=127.5)
    return PlateGrid(cover, sheet.px_mm * block, sheet.origin_mm)


def _reduced(cover: npt.NDArray[np.uint8], block: int) -> npt.NDArray[np.uint8]:
    """Return the means over blocks. At the end the nearest pixels fill the last block up."""
    if block == 1:
        return cover.copy()
    missing = ((0, -cover.shape[0] % block), (0, -cover.shape[1] % block))
    filled = np.pad(cover, missing, mode="edge")
    rows = filled.reshape(-1, block, filled.shape[1]).sum(1, dtype=np.uint32)
    sums = rows.reshape(len(rows), -1, block).sum(2, dtype=np.uint32)
    means: npt.NDArray[np.uint8] = np.rint(sums / (block * block)).astype(np.uint8)
    return means
