"""Writes the height map: a 16-bit grey PNG whose value is linear in height.

    height in mm = value * mm_per_level + offset_mm

The surface of the plate is height 0 and has the greatest value, 65535; etched places are below.
The scale is in the file itself, as text chunks, and the size of a pixel also as pHYs.
Source: PNG Specification, third edition (W3C 2025), 11.3.3.3 tEXt and 11.3.4.3 pHYs.
"""

from __future__ import annotations

import math
from typing import BinaryIO

import numpy as np
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from controller.artwork.relief.grid import Singles
from controller.units import MM_PER_INCH

HIGHEST_LEVEL = 65_535

_FINEST_MM = 1e-6


def level_mm(deepest_mm: float) -> float:
    """Return the height of one level: the smallest of 1, 2, 5 times a power of ten that fits."""
    power = 10.0 ** math.floor(math.log10(max(deepest_mm / HIGHEST_LEVEL, _FINEST_MM)))
    steps = (power * factor for factor in (1.0, 2.0, 5.0, 10.0))
    return next(float(f"{step:.3g}") for step in steps if step * HIGHEST_LEVEL >= deepest_mm)


def write_height_map(file: BinaryIO, depth_mm: Singles, pixel_mm: float) -> dict[str, float]:
    """Write the map and return its scale: ``mm_per_level``, ``offset_mm``."""
    mm_per_level = level_mm(float(depth_mm.max()))
    offset_mm = -HIGHEST_LEVEL * mm_per_level
    levels = HIGHEST_LEVEL - np.rint(depth_mm.astype(np.float64) / mm_per_level)
    notes = PngInfo()
    for name, value in (
        ("Title", "Height map of an etched plate"),
        ("Description", "height_mm = value * mm_per_level + offset_mm; the surface is 0"),
        ("mm_per_level", f"{mm_per_level:.12g}"),
        ("offset_mm", f"{offset_mm:.12g}"),
        ("pixel_mm", f"{pixel_mm:.12g}"),
        ("deepest_mm", f"{float(depth_mm.max()):.9g}"),
    ):
        notes.add_text(name, value)
    image = Image.fromarray(levels.astype(np.uint16))
    dpi = MM_PER_INCH / pixel_mm
    image.save(file, format="PNG", pnginfo=notes, dpi=(dpi, dpi))
    return {"mm_per_level": mm_per_level, "offset_mm": offset_mm}
