"""Chooses the resolution at which vector files are drawn."""

from __future__ import annotations

import math

from controller.artwork import limits
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

_AIM_PIXELS = 36_000_000
"""Wanted pixels of the measuring grid: A4 at 600 dpi has 35 million."""

_FINEST_DPI = 1150.0
"""Finest measuring grid, for small pages. From 1200 dpi on, the sheet would be averaged down."""

_COARSEST_DPI = 300.0

_SEARCH = 0.04
"""How much finer than wanted a page may be drawn, so that it ends at whole pixels both ways. Less
than the step from _FINEST_DPI to 1200 dpi."""


def drawing_px(width_mm: float, height_mm: float, finer: int) -> tuple[int, int]:
    """Return the width and height in pixels at which to draw a page.

    The scale is the same both ways to about a hundredth of a pixel. A page that ended between
    pixels would be stretched, or get a rim of background, which counts as open when inverted.

    :param finer: how many times finer than the grid to draw, as far as the pixels allow it, for
        renderers that shade edges coarsely.
    Raises: RefusedError for a page too small or too large.
    """
    dpi = _drawing_dpi(width_mm, height_mm, finer)
    ratio = height_mm / width_mm
    first = max(1, math.ceil(width_mm / MM_PER_INCH * dpi - 1e-6))
    widths = [
        width
        for width in range(first, int(first * (1.0 + _SEARCH)) + 2)
        if width * width * ratio < limits.MAX_PIXELS
    ]
    width = min(
        widths, key=lambda width: (round(abs(width * ratio - round(width * ratio)), 2), width)
    )
    return width, max(1, round(width * ratio))


def _drawing_dpi(width_mm: float, height_mm: float, finer: int) -> float:
    """Return the wanted resolution: 600 dpi or more on the measuring grid, if the pixels allow."""
    for side_mm, key in (
        (width_mm, "artwork.drawing.page_width"),
        (height_mm, "artwork.drawing.page_height"),
    ):
        if not limits.MIN_SIDE_MM <= side_mm <= limits.MAX_SIDE_MM:
            raise RefusedError(
                key,
                field="file",
                side_mm=side_mm,
                low_mm=limits.MIN_SIDE_MM,
                high_mm=limits.MAX_SIDE_MM,
            )
    inch2 = width_mm * height_mm / MM_PER_INCH**2
    dpi = min(_FINEST_DPI, max(limits.WORK_DPI, (_AIM_PIXELS / inch2) ** 0.5))
    most = (0.98 * limits.MAX_PIXELS / inch2) ** 0.5
    if most < _COARSEST_DPI:
        raise RefusedError(
            "artwork.drawing.page_too_large",
            field="file",
            width_mm=width_mm,
            height_mm=height_mm,
            dpi=_COARSEST_DPI,
            limit_megapixels=limits.MAX_PIXELS / 1e6,
            limit_px=limits.MAX_PIXELS,
        )
    dpi = min(dpi, most)
    fine = max(limits.WORK_DPI * finer, dpi)
    return float(fine if fine <= most else dpi)
