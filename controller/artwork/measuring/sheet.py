"""The sheet on the measuring grid: coverage in bands, cut to the plate outline, with resist around
the artwork.
"""

from __future__ import annotations

import numpy as np

from controller.artwork import limits
from controller.artwork.loading.levels import Levels
from controller.artwork.loading.picture import Grey, Picture
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError
from controller.units import MM_PER_INCH


class Sheet:
    """Coverage of the plate.

    The canvas is the smallest range of whole pixels that holds the plate, or the part of it that
    the artwork can reach.

    :ivar px_mm: side of a grid pixel, mm.
    :ivar full: value of a pixel that is wholly open.
    :ivar width_px, height_px: of the canvas.
    :ivar plate_mm: width and height of the plate.
    :ivar plate_px: top, left, bottom, right edge of the plate on the canvas; pixel centres at whole
        numbers.
    :ivar origin_mm: place of the canvas' first corner, from the artwork's top left corner: x, y.
    """

    def __init__(self, picture: Picture, levels: Levels, options: MeasureOptions) -> None:
        self._picture, self._levels = picture, levels
        self.reduction = max(1, int(picture.dpi / limits.WORK_DPI + 0.005))
        self.px_mm = MM_PER_INCH / picture.dpi * self.reduction
        self.full = 255
        size_px = (picture.width_px / self.reduction, picture.height_px / self.reduction)
        self.plate_mm = _plate_mm((size_px[0] * self.px_mm, size_px[1] * self.px_mm), options)
        self._is_larger = any(
            plate > size * self.px_mm + 1e-6
            for plate, size in zip(self.plate_mm, size_px, strict=True)
        )
        beyond = int(options.reach_mm / self.px_mm) + 4
        spans = [
            _span(size, plate / self.px_mm, beyond)
            for size, plate in zip(size_px, self.plate_mm, strict=True)
        ]
        (self._left, self.width_px), (self._top, self.height_px) = (
            (first, count) for first, count, _, _ in spans
        )
        (_, _, left, right), (_, _, top, bottom) = spans
        self.plate_px = (top - 0.5, left - 0.5, bottom - 0.5, right - 0.5)
        self.origin_mm = (self._left * self.px_mm, self._top * self.px_mm)
        self.weight_x = _weights(self.width_px, left, right)
        self.weight_y = _weights(self.height_px, top, bottom)
        self._held: tuple[int, Grey] | None = None

    def rows(self, first: int, last: int) -> Grey:
        """Return the canvas rows ``first`` to ``last`` (excluded).

        Outside the canvas the nearest row repeats.
        """
        low, high = max(first, 0), min(last, self.height_px)
        if self._held is not None and self._held[0] <= low < self._held[0] + len(self._held[1]):
            start, held = self._held
            kept = held[low - start : high - start]
            band = (
                np.concatenate([kept, self._read(low + len(kept), high)])
                if low + len(kept) < high
                else kept
            )
        else:
            band = self._read(low, high)
        self._held = (low, band)
        return (
            np.pad(band, ((low - first, last - high), (0, 0)), mode="edge")
            if low > first or high < last
            else band
        )

    def _read(self, first: int, last: int) -> Grey:
        """Return rows inside the canvas. Outside the artwork there is resist."""
        picture, step = self._picture, self.reduction
        y0, y1 = (first + self._top) * step, (last + self._top) * step
        x0, x1 = self._left * step, (self._left + self.width_px) * step
        shape = last - first, self.width_px
        top, bottom = max(y0, 0), min(y1, picture.height_px)
        left, right = max(x0, 0), min(x1, picture.width_px)
        if top >= bottom or left >= right:
            return np.zeros(shape, np.uint8)
        block = picture.read(top, bottom, step, self._levels.table)[
            :, left // step : -(-right // step)
        ]
        if self._is_larger:  # a block cut by the artwork's edge also holds resist of the plate
            block = block.copy()
            block[-1] = block[-1].astype(np.uint16) * ((bottom - top - 1) % step + 1) // step
            block[:, -1] = block[:, -1].astype(np.uint16) * ((right - left - 1) % step + 1) // step
        if block.shape == shape:
            return block
        cover = np.zeros(shape, np.uint8)
        row, col = top // step - (first + self._top), left // step - self._left
        cover[row : row + block.shape[0], col : col + block.shape[1]] = block
        return cover


def _plate_mm(size_mm: tuple[float, float], options: MeasureOptions) -> tuple[float, float]:
    if options.plate_width_mm is not None and options.plate_height_mm is not None:
        return options.plate_width_mm, options.plate_height_mm
    margin_mm = options.margin_mm or 0.0
    plate = size_mm[0] - 2 * margin_mm, size_mm[1] - 2 * margin_mm
    if min(plate) < limits.MIN_SIDE_MM:
        raise RefusedError(
            "artwork.margin",
            field="margin_mm",
            margin_mm=margin_mm,
            width_mm=size_mm[0],
            height_mm=size_mm[1],
            limit_mm=(min(size_mm) - limits.MIN_SIDE_MM) / 2,
        )
    return plate


def _span(size_px: float, plate_px: float, beyond_px: int) -> tuple[int, int, float, float]:
    """Return first canvas pixel, count, and both plate edges on the canvas, for a plate centred on
    ``size_px`` pixels.

    Of a plate larger than the artwork, only the part that the artwork can grow into is used.
    """
    low, high = (size_px - plate_px) / 2.0, (size_px + plate_px) / 2.0
    low, high = max(low, -float(beyond_px)), min(high, np.ceil(size_px) + beyond_px)
    first, last = int(np.floor(low + 1e-9)), int(np.ceil(high - 1e-9))
    return first, last - first, low - first, high - first


def _weights(count: int, low: float, high: float) -> Floats:
    """Return the share of each pixel between ``low`` and ``high``, which lie within the first and
    the last one.
    """
    edge = np.arange(count, dtype=np.float64)
    weight: Floats = np.clip(np.minimum(edge + 1.0, high) - np.maximum(edge, low), 0.0, 1.0)
    return np.where(weight > 1.0 - 1e-9, 1.0, weight)
