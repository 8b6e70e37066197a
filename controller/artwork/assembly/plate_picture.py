"""Reads a plate file as one picture. Runs inside the worker process."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from PIL import Image

from controller.artwork.assembly.layout import PlacedPiece, Point, check_layout
from controller.artwork.assembly.piece_places import piece_places
from controller.artwork.assembly.plate_file import Plate, read_plate
from controller.artwork.assembly.turning import drawn
from controller.artwork.distribution.spread import PartPlaces
from controller.artwork.loading.levels import find_levels
from controller.artwork.loading.picture import Grey, Picture, averaged
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.scale_source import PLATE_FILE
from controller.artwork.loading.sniff import sniff
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

Load = Callable[[ReadableFile, MeasureOptions], Picture]

_AIM_PIXELS = 36_000_000
"""Most pixels of the plate where a piece is finer. Source: a drawing of A4 is measured on as
many."""

_COARSEST_DPI = 300.0

_MOST_PIECE_PIXELS = 80_000_000
"""Most pixels of all different pieces together, which are held in memory."""

_ROWS = 512


@dataclass(frozen=True)
class Part:
    """An artwork on its own grid, read once for all its copies.

    :param cover: 0 to 255, 255 open.
    :param px_mm: side of a pixel.
    :param middle_px: the middle of the artwork's outline, from the first pixel's outer corner.
    :param outline_mm: width and height of the artwork's outline.
    :param open_mm: left, top, right and bottom of what is open, from the middle.
    :param shades: steps of the shading on this grid, 256 for many.
    """

    cover: Grey
    px_mm: float
    middle_px: Point
    outline_mm: tuple[float, float]
    open_mm: tuple[float, float, float, float]
    shades: int


@dataclass(frozen=True)
class AssembledPlate:
    """A plate file that was read: each piece with its part."""

    plate: Plate
    placed: tuple[PlacedPiece, ...]
    parts: tuple[Part, ...]
    picture: Picture

    def part_places(self) -> list[PartPlaces]:
        """Return what finds the places of each piece on the map of the plate."""
        return [partial(piece_places, outline=piece.corners()) for piece in self.placed]


def assembled(file: ReadableFile, load: Load) -> AssembledPlate:
    """Return the plate in a file, its pieces drawn on one grid.

    :param load: reads one artwork. Raises: RefusedError.
    """
    plate = read_plate(file)
    parts: dict[tuple[str, MeasureOptions], Part] = {}
    for entry in plate.pieces:
        key = entry.file, entry.options
        if key not in parts:
            parts[key] = _part(plate.artwork(entry), entry.options, load)
            _check_pixels(parts.values())
    own = tuple(parts[entry.file, entry.options] for entry in plate.pieces)
    placed = tuple(
        PlacedPiece(entry.name, *part.outline_mm, entry.x_mm, entry.y_mm, entry.degrees)
        for entry, part in zip(plate.pieces, own, strict=True)
    )
    check_layout(placed, plate.width_mm, plate.height_mm)
    return AssembledPlate(plate, placed, own, _picture(plate, placed, own))


def load_plate(file: ReadableFile, load: Load) -> Picture:
    """Return the plate in a file as one picture. Raises: RefusedError."""
    return assembled(file, load).picture


def _part(file: ReadableFile, options: MeasureOptions, load: Load) -> Part:
    """Return an artwork's coverage, at its own threshold. Raises: RefusedError."""
    if sniff(file) == "ZIP":
        raise RefusedError("artwork.plate.nested", field="pieces", name=file.name)
    picture = load(file, options)
    levels = find_levels(picture, options.invert)
    sheet = Sheet(picture, levels, replace(options, max_undercut_mm=None))
    cover = np.empty((sheet.height_px, sheet.width_px), np.uint8)
    for top in range(0, sheet.height_px, _ROWS):
        bottom = min(top + _ROWS, sheet.height_px)
        weight = sheet.weight_y[top:bottom, np.newaxis] * sheet.weight_x
        rows = sheet.rows(top, bottom)
        cover[top:bottom] = rows if weight.min() == 1.0 else np.rint(rows * weight)
    middle = (
        picture.width_px / sheet.reduction / 2 - sheet.origin_mm[0] / sheet.px_mm,
        picture.height_px / sheet.reduction / 2 - sheet.origin_mm[1] / sheet.px_mm,
    )
    columns, rows_open = np.flatnonzero(cover.any(axis=0)), np.flatnonzero(cover.any(axis=1))
    if not len(columns):
        raise RefusedError("artwork.plate.nothing_open", field="pieces", name=file.name)
    ends = (columns[0], rows_open[0], columns[-1] + 1, rows_open[-1] + 1)
    ends_mm = [(float(end) - middle[axis % 2]) * sheet.px_mm for axis, end in enumerate(ends)]
    shades = (levels.shades - 1) * sheet.reduction**2 + 1
    return Part(
        cover,
        sheet.px_mm,
        middle,
        sheet.plate_mm,
        (ends_mm[0], ends_mm[1], ends_mm[2], ends_mm[3]),
        min(256, shades),
    )


def _check_pixels(parts: Iterable[Part]) -> None:
    """Check that all artworks fit in memory together. Raises: RefusedError."""
    pixels = sum(part.cover.size for part in parts)
    if pixels > _MOST_PIECE_PIXELS:
        raise RefusedError(
            "artwork.plate.too_many_pixels",
            field="pieces",
            megapixels=pixels / 1e6,
            limit_megapixels=_MOST_PIECE_PIXELS / 1e6,
        )


def _picture(plate: Plate, placed: tuple[PlacedPiece, ...], parts: tuple[Part, ...]) -> Picture:
    """Return the plate on the finest grid of its pieces, as far as the pixels allow."""
    inch2 = plate.width_mm * plate.height_mm / MM_PER_INCH**2
    finest_dpi = MM_PER_INCH / min(part.px_mm for part in parts)
    most_dpi = math.sqrt(_AIM_PIXELS / inch2)
    dpi = min(finest_dpi, max(most_dpi, _COARSEST_DPI))
    px_mm = MM_PER_INCH / dpi
    width_px, height_px = (
        math.ceil(side_mm / px_mm - 1e-6) for side_mm in (plate.width_mm, plate.height_mm)
    )
    if width_px * height_px > _MOST_PIECE_PIXELS:
        raise RefusedError(
            "artwork.plate.too_many_pixels",
            field="pieces",
            megapixels=width_px * height_px / 1e6,
            limit_megapixels=_MOST_PIECE_PIXELS / 1e6,
        )
    cover = np.zeros((height_px, width_px), np.uint8)
    for piece, part in zip(placed, parts, strict=True):
        drawn(part.cover, part.px_mm, part.middle_px, cover, px_mm, piece.centre_mm, piece.degrees)
    image = Image.fromarray(255 - cover)

    def read(first: int, last: int, step: int, table: Grey) -> Grey:
        return averaged(image, step, table, (0, first, width_px, last))

    return Picture(
        width_px,
        height_px,
        read,
        None,
        dpi,
        PLATE_FILE,
        "ZIP",
        1,
        shades=min(part.shades for part in parts),
    )
