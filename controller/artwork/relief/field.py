"""Writes a plate's field: distances, widths and currents, from which a page draws any depth.

Runs inside the worker process.
"""

from __future__ import annotations

import gzip
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from controller.artwork.outline.chain import Bools, Floats
from controller.artwork.relief.field_form import (
    CODES_PER_E,
    DISTANCE_UNIT_MM,
    HALF_WIDTH_UNIT_MM,
    MOST_RATIO_PIXELS,
    WIDE_CODE,
    ZERO_CODE,
    FieldHeader,
    head_of,
)
from controller.artwork.relief.front import deepest_source
from controller.artwork.relief.grid import PlateGrid, Singles
from controller.artwork.relief.ratios import Currents, filled
from controller.physics.bath_field import BathField
from controller.physics.places import EVENNESS_GRID

REACH_MM = 1.5
"""Distances are known up to here: more than the undercut of common depths."""

_WIDTHS_MM = tuple(round(0.02 * 1.16**step, 2) for step in range(31))
"""Half widths that are told apart, 0.02 to 1.7 mm."""

_CORNER = 1.5


def write_field(file: BinaryIO, grid: PlateGrid, bath: BathField, sha256: str) -> None:
    """Write the field as gzip."""
    distance_mm = grid.distance_px(REACH_MM / grid.pixel_mm) * np.float32(grid.pixel_mm)
    half = half_width_codes(grid.is_open, distance_mm, grid.pixel_mm)
    least_step = int(np.ceil(np.sqrt(grid.cover.size / MOST_RATIO_PIXELS)))
    currents = Currents(grid, bath, least_step)
    row, column = currents.middle()
    ratios = [currents.ratios(evenness) for evenness in EVENNESS_GRID]
    ratio_pixel_mm = grid.pixel_mm * currents.step
    rows, columns = currents.share.shape
    header = FieldHeader(
        width_px=grid.cover.shape[1],
        height_px=grid.cover.shape[0],
        pixel_mm=grid.pixel_mm,
        reach_mm=REACH_MM,
        origin_x_mm=float(grid.origin_mm[0]),
        origin_y_mm=float(grid.origin_mm[1]),
        ratio_width_px=columns,
        ratio_height_px=rows,
        ratio_pixel_mm=ratio_pixel_mm,
        middle_x_mm=float(grid.origin_mm[0] + (column + 0.5) * ratio_pixel_mm),
        middle_y_mm=float(grid.origin_mm[1] + (row + 0.5) * ratio_pixel_mm),
        middle_ratios=tuple(float(at[row, column]) or 1.0 for at in ratios),
        sha256=sha256,
    )
    with gzip.GzipFile(fileobj=file, mode="wb", compresslevel=6, mtime=0) as packed:
        packed.write(head_of(header))
        packed.write(np.rint(distance_mm / DISTANCE_UNIT_MM).astype("<i2").tobytes())
        packed.write(half.tobytes())
        for at in ratios:
            packed.write(ratio_codes(at).tobytes())


def half_width_codes(
    is_open: Bools, distance_mm: Singles, pixel_mm: float
) -> npt.NDArray[np.uint8]:
    """Return half the width of the resist at each pixel, in units of HALF_WIDTH_UNIT_MM.

    Resist farther than one undercut and a half from all resist that keeps its surface has been
    washed out; a sharp corner of a wide field, at 1.41 of them, has not.
    """
    codes = np.full(is_open.shape, WIDE_CODE, np.uint8)
    for half_mm in reversed(_WIDTHS_MM):
        keeps = ~is_open & (distance_mm >= half_mm)
        reach_px = (keeps * (_CORNER * half_mm / pixel_mm + 0.5)).astype(np.float32)
        source, _ = deepest_source(keeps, reach_px)
        codes[~is_open & (source <= 0.0)] = round(half_mm / HALF_WIDTH_UNIT_MM)
    codes[is_open] = 0
    return codes


def ratio_codes(ratios: Floats) -> npt.NDArray[np.uint16]:
    """Return the codes of ratios: 0 where nothing is open within two pixels."""
    near = filled(ratios)
    is_known = near > 0.0
    steps = np.log(np.where(is_known, near, 1.0)) * CODES_PER_E + ZERO_CODE
    codes = np.clip(np.rint(steps), 1, 65_535)
    return np.where(is_known, codes, 0).astype("<u2")
