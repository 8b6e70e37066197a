"""Makes one relief of a file. Runs inside the worker process."""

from __future__ import annotations

import hashlib
from typing import Any, BinaryIO

import numpy as np

from controller.artwork.loading.readable import ReadableFile
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Bools, Floats
from controller.artwork.relief.field import write_field
from controller.artwork.relief.field_form import MOST_FIELD_PIXELS
from controller.artwork.relief.front import deepest_source, etched_depth_mm
from controller.artwork.relief.grid import PlateGrid, Singles, plate_grid
from controller.artwork.relief.height_map import write_height_map
from controller.artwork.relief.options import FIELD, HEIGHT_MAP, MAX_REACH_MM, ReliefOptions
from controller.artwork.relief.ratios import local_ratios
from controller.artwork.relief.shading import write_picture
from controller.errors import RefusedError

MOST_PIXELS = 1_900_000
"""Pixels of a picture. Source: with 2 bytes each they fit into an answer of 4 MB, packed or not."""

_CORNER = 1.5
"""Resist farther than this many undercuts from untouched surface has been washed out; a sharp
corner of a wide field, at 1.41 of them, has not."""


def relief_file(
    file: ReadableFile, reading: MeasureOptions, options: ReliefOptions, picture: BinaryIO | None
) -> dict[str, Any]:
    """Write the relief as PNG and return its figures.

    Raises: RefusedError when the file cannot be used.
    """
    with file.open("rb") as content:
        digest = hashlib.file_digest(content, "sha256").hexdigest()
    if options.kind == FIELD:
        if picture is not None:
            write_field(picture, plate_grid(file, reading, MOST_FIELD_PIXELS), options.bath, digest)
        return {"sha256": digest}
    grid = plate_grid(file, reading, MOST_PIXELS)
    depth_mm, local_mm = relief_of(grid, options)
    washed = washed_out(grid.is_open, depth_mm, options.etch_factor, grid.pixel_mm)
    washed_mm2 = float(np.count_nonzero(washed)) * grid.pixel_mm**2
    scale: dict[str, float] = {}
    if picture is not None and options.kind == HEIGHT_MAP:
        scale = write_height_map(picture, depth_mm, grid.pixel_mm)
    elif picture is not None:
        write_picture(picture, depth_mm, grid.pixel_mm, options.depth_mm, washed_mm2)
    return {
        "depth_mm": options.depth_mm,
        "etch_factor": options.etch_factor,
        "evenness": options.evenness,
        "deepest_mm": float(depth_mm.max()),
        "shallowest_open_mm": float(local_mm[grid.is_open].min()),
        "washed_out_mm2": washed_mm2,
        "pixel_mm": grid.pixel_mm,
        "width_px": depth_mm.shape[1],
        "height_px": depth_mm.shape[0],
        "origin_x_mm": grid.origin_mm[0],
        "origin_y_mm": grid.origin_mm[1],
        "sha256": digest,
        **scale,
    }


def relief_of(grid: PlateGrid, options: ReliefOptions) -> tuple[Singles, Floats]:
    """Return the depth of each pixel and the depth of the open floor at each open pixel, mm.

    Raises: RefusedError when the deepest place has too wide an undercut.
    """
    local_mm = options.depth_mm * local_ratios(grid, options.bath, options.evenness)
    undercut_mm = float(local_mm.max()) / options.etch_factor
    if undercut_mm > MAX_REACH_MM:
        raise RefusedError(
            "artwork.relief.undercut",
            field="depth_mm",
            undercut_mm=undercut_mm,
            limit_mm=MAX_REACH_MM,
        )
    reach_px = undercut_mm / grid.pixel_mm + 2.0
    distance_px = grid.distance_px(reach_px)
    depth_mm = etched_depth_mm(
        grid.is_open, distance_px, local_mm, options.etch_factor, grid.pixel_mm
    )
    return depth_mm, local_mm


def washed_out(is_open: Bools, depth_mm: Singles, etch_factor: float, pixel_mm: float) -> Bools:
    """Return which resist pixels belong to lines that have lost their whole surface."""
    is_lowered = ~is_open & (depth_mm > 0.0)
    undercut_px = float(depth_mm.max()) / etch_factor / pixel_mm
    untouched = ~is_open & ~is_lowered
    near, _ = deepest_source(untouched, (untouched * (_CORNER * undercut_px)).astype(np.float32))
    washed: Bools = is_lowered & (near <= 0.0)
    return washed
