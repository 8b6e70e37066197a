"""Depth at any point of a plate, from its field. Standard library only.

The same formula as in ``front.py``, for the nearest opening alone.
"""

from __future__ import annotations

import math
import struct

from controller.artwork.relief.field_form import (
    CODES_PER_E,
    DISTANCE_UNIT_MM,
    ZERO_CODE,
    Field,
)
from controller.physics.places import EVENNESS_GRID
from controller.physics.relief import interpolate


def depth_at_mm(
    field: Field, x_mm: float, y_mm: float, depth_mm: float, etch_factor: float, evenness: float
) -> float:
    """Return the depth at a point, or 0 beside the plate.

    :param depth_mm: in the middle of the widest floor.
    """
    header = field.header
    column = (x_mm - header.origin_x_mm) / header.pixel_mm - 0.5
    row = (y_mm - header.origin_y_mm) / header.pixel_mm - 0.5
    if not (-0.5 <= column <= header.width_px - 0.5 and -0.5 <= row <= header.height_px - 0.5):
        return 0.0
    local_mm = depth_mm * _ratio(field, column, row, evenness)
    s_mm = max(0.0, _distance_mm(field, column, row))
    undercut_mm = local_mm / etch_factor
    if s_mm >= undercut_mm:
        return 0.0
    return local_mm * math.sqrt(1.0 - (s_mm / undercut_mm) ** 2)


def profile(
    field: Field,
    ends_mm: tuple[float, float, float, float],
    points: int,
    depth_mm: float,
    etch_factor: float,
    evenness: float,
) -> tuple[tuple[float, float], ...]:
    """Return pairs (distance along the line, depth), mm.

    :param ends_mm: x0, y0, x1, y1.
    """
    x0, y0, x1, y1 = ends_mm
    length_mm = math.hypot(x1 - x0, y1 - y0)
    pairs = []
    for number in range(points):
        part = number / (points - 1)
        x_mm, y_mm = x0 + part * (x1 - x0), y0 + part * (y1 - y0)
        here_mm = depth_at_mm(field, x_mm, y_mm, depth_mm, etch_factor, evenness)
        pairs.append((part * length_mm, here_mm))
    return tuple(pairs)


def _distance_mm(field: Field, column: float, row: float) -> float:
    """Return the distance to the nearest edge, straight between the pixels' middles."""
    width, height = field.header.width_px, field.header.height_px
    column, row = min(max(column, 0.0), width - 1.0), min(max(row, 0.0), height - 1.0)
    left, top = min(int(column), max(width - 2, 0)), min(int(row), max(height - 2, 0))
    right, below = min(left + 1, width - 1), min(top + 1, height - 1)
    part_x, part_y = column - left, row - top

    def at(line: int, place: int) -> int:
        value: int = struct.unpack_from("<h", field.body, 2 * (line * width + place))[0]
        return value

    upper = at(top, left) * (1.0 - part_x) + at(top, right) * part_x
    lower = at(below, left) * (1.0 - part_x) + at(below, right) * part_x
    return (upper * (1.0 - part_y) + lower * part_y) * DISTANCE_UNIT_MM


def _ratio(field: Field, column: float, row: float, evenness: float) -> float:
    """Return the local ratio over that in the middle of the widest floor."""
    header = field.header
    step = header.pixel_mm / header.ratio_pixel_mm
    cell_row = min(max(int((row + 0.5) * step), 0), header.ratio_height_px - 1)
    cell_column = min(max(int((column + 0.5) * step), 0), header.ratio_width_px - 1)
    start = 3 * header.pixels + 2 * (cell_row * header.ratio_width_px + cell_column)
    ratios = []
    for number, middle in enumerate(header.middle_ratios):
        at = start + 2 * header.ratio_pixels * number
        (code,) = struct.unpack_from("<H", field.body, at)
        ratios.append(math.exp((code - ZERO_CODE) / CODES_PER_E) / middle if code else 1.0)
    return interpolate(tuple(zip(EVENNESS_GRID, ratios, strict=True)), evenness)
