"""The open metal of a plate on the map's grid, collected while the sheet is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.artwork.distribution.currents import MOST_CELLS
from controller.artwork.distribution.widths import opened
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.outline.chain import Bools, Cover, Floats, Ints
from controller.physics.bath_field import BathField

PIXEL_MM = 0.1
"""Side of a map pixel on a usual plate; larger plates have larger ones. Half of it moves the depth
of a line of 0.3 mm by about 2 % (tests/README.md)."""

FINE_MM = 0.3
"""Openings narrower than this are told from wider ones on the measuring grid."""


@dataclass(frozen=True, slots=True)
class PlateMap:
    """Open metal on the map's grid.

    :param open_share: open share of each pixel of the plate.
    :param fine_share: share of each pixel that is open and narrower than FINE_MM.
    :param pixel_mm: side of a pixel.
    :param origin_mm: first corner, from the artwork's top left corner: x, y.
    """

    open_share: Floats
    fine_share: Floats
    pixel_mm: float
    origin_mm: tuple[float, float]

    def at_mm(self, row: float, column: float) -> tuple[float, float]:
        """Return x and y of a pixel's middle, from the artwork's top left corner."""
        x_mm, y_mm = self.origin_mm
        return x_mm + (column + 0.5) * self.pixel_mm, y_mm + (row + 0.5) * self.pixel_mm


class MapCanvas:
    """Collects bands of the measuring grid.

    :param height_px, width_px: of the measuring grid.
    :param px_mm: side of its pixels.
    :param block: pixels of it along each side of a map pixel.
    """

    def __init__(self, height_px: int, width_px: int, px_mm: float, block: int) -> None:
        shape = -(-height_px // block), -(-width_px // block)
        self._block, self._px_mm = block, px_mm
        self._open, self._fine = np.zeros(shape), np.zeros(shape)
        self._fine_px = round(FINE_MM / px_mm)

    def add(self, band: Cover, is_open: Bools, full: int, top: int, halo: int) -> None:
        """Add a band.

        :param band: coverage, with ``halo`` more rows above and below.
        :param is_open: which of its pixels are open.
        :param top: row of the canvas where it starts.
        """
        rows = slice(halo, len(band) - halo)
        self._sum(self._open, band[rows], 1.0 / full, top)
        room = min(halo, self._fine_px)
        around = is_open[halo - room : len(band) - halo + room]
        wide = opened(around, self._fine_px)
        inner = slice(room, len(around) - room)
        fine = (around[inner] & ~wide[inner]).astype(np.uint8)
        self._sum(self._fine, fine, 1.0, top)

    def plate_map(self, plate_mm: tuple[float, float], origin_mm: tuple[float, float]) -> PlateMap:
        """Return the whole plate; the canvas lies in its middle.

        :param origin_mm: first corner of the canvas, from the artwork's top left corner.
        """
        pixel_mm = self._block * self._px_mm
        before = tuple(
            max(0, math.ceil((side / pixel_mm - count) / 2))
            for side, count in zip(reversed(plate_mm), self._open.shape, strict=True)
        )
        around = tuple((count, count) for count in before)
        return PlateMap(
            np.clip(np.pad(self._open, around), 0.0, 1.0),
            np.clip(np.pad(self._fine, around), 0.0, 1.0),
            pixel_mm,
            (origin_mm[0] - before[1] * pixel_mm, origin_mm[1] - before[0] * pixel_mm),
        )

    def _sum(self, sums: Floats, values: Cover, unit: float, top: int) -> None:
        """Add the values to the sums of their map pixels, as shares of a pixel."""
        block = self._block
        first = top // block
        rows = np.add.reduceat(values, _starts(top, len(values), block), axis=0, dtype=np.uint32)
        cells = np.add.reduceat(rows, _starts(0, values.shape[1], block), axis=1)
        sums[first : first + len(cells)] += cells * (unit / block**2)


def _starts(top: int, count: int, block: int) -> Ints:
    """Return where in ``count`` pixels from ``top`` on each block of pixels starts."""
    inner = np.arange(-top % block, count, block, dtype=np.intp)
    return inner if top % block == 0 else np.concatenate([np.zeros(1, np.intp), inner])


def map_canvas(sheet: Sheet, bath: BathField | None) -> MapCanvas | None:
    """Return an empty canvas for a sheet, or None when there is no bath to map it for."""
    if bath is None:
        return None
    width_mm, height_mm = (side + 2 * bath.margin_mm for side in sheet.plate_mm)
    least_mm = max(PIXEL_MM, math.sqrt(width_mm * height_mm / MOST_CELLS))
    block = max(1, math.ceil(least_mm / sheet.px_mm - 1e-9))
    return MapCanvas(sheet.height_px, sheet.width_px, sheet.px_mm, block)
