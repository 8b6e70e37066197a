"""At which resolution vector files are drawn."""

from __future__ import annotations

import math

from controller.artwork import limits
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

_AIM_PIXELS = 36_000_000
"""Pixels of the measuring grid that are aimed at: A4 at 600 dpi has 35 million."""

_FINEST_DPI = 1150.0
"""Finest measuring grid for small pages; from 1200 dpi on the sheet would be averaged down."""

_COARSEST_DPI = 300.0

_SEARCH = 0.04
"""How much finer than asked a page may be drawn so that it ends at whole pixels both ways: less than from _FINEST_DPI to 1200."""


def drawing_px(width_mm: float, height_mm: float, finer: int) -> tuple[int, int]:
    """Return width and height to draw a page at, pixels, at one scale both ways to a hundredth of a pixel or so.

    A page that ended between pixels would be stretched or get a rim of background, which counts as open when inverted.

    :param finer: draw so many times finer than the grid where the pixels allow it, for renderers that shade edges coarsely.
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
    """Return the resolution wanted: 600 dpi or more on the measuring grid where the pixels allow it."""
    for side, name in ((width_mm, "width"), (height_mm, "height")):
        if not limits.MIN_SIDE_MM <= side <= limits.MAX_SIDE_MM:
            raise RefusedError(
                f"the page's {name} is {side:.4g} mm, outside {limits.MIN_SIDE_MM:g} to {limits.MAX_SIDE_MM:g} mm: "
                "check the page size, or give width_mm",
                field="file",
                limit=f"{limits.MIN_SIDE_MM:g}-{limits.MAX_SIDE_MM:g} mm",
            )
    inch2 = width_mm * height_mm / MM_PER_INCH**2
    dpi = min(_FINEST_DPI, max(limits.WORK_DPI, (_AIM_PIXELS / inch2) ** 0.5))
    most = (0.98 * limits.MAX_PIXELS / inch2) ** 0.5
    if most < _COARSEST_DPI:
        raise RefusedError(
            f"a page of {width_mm:.0f} x {height_mm:.0f} mm cannot be drawn at {_COARSEST_DPI:g} dpi with "
            f"{limits.MAX_PIXELS / 1e6:.0f} million pixels: split it",
            field="file",
            limit=f"{limits.MAX_PIXELS} px",
        )
    dpi = min(dpi, most)
    fine = max(limits.WORK_DPI * finer, dpi)
    return float(fine if fine <= most else dpi)
