"""Puts a plate together from artworks, for the command line and the API. Standard library only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.artwork.assembly.arranging import (
    BORDER_MM,
    SPACING_MM,
    Arrangement,
    SizedPiece,
    arranged,
)
from controller.artwork.assembly.layout import PlacedPiece, check_count, check_layout
from controller.artwork.assembly.plate_file import entry_of, write_plate
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import not_negative


@dataclass(frozen=True, slots=True)
class WantedPiece:
    """A piece that a person wants on the plate.

    :param file: its artwork.
    :param name: of the file, for people.
    :param options: how to read it.
    :param size_mm: width and height of its outline.
    :param place_mm: left and top edge on the plate after turning; None to have it arranged.
    :param degrees: clockwise; None is 0, or 90 where an arranged piece fits only so.
    """

    file: Path
    name: str
    options: MeasureOptions
    size_mm: tuple[float, float]
    place_mm: tuple[float, float] | None = None
    degrees: float | None = None


def put_together(
    target: Path,
    pieces: Sequence[WantedPiece],
    *,
    sheet_mm: tuple[float, float] | None = None,
    spacing_mm: float = SPACING_MM,
    border_mm: float = BORDER_MM,
) -> Arrangement:
    """Write a plate file and return where the pieces lie.

    All pieces have places, or all are arranged.

    :param sheet_mm: width and height of the sheet; None for one that fits.
    Raises: RefusedError.
    """
    layout = _layout(pieces, sheet_mm, spacing_mm, border_mm)
    check_layout(layout.pieces, layout.width_mm, layout.height_mm)
    entries = [
        (
            entry_of(
                piece.file, piece.name, (placed.x_mm, placed.y_mm, placed.degrees), piece.options
            ),
            piece.file,
        )
        for piece, placed in zip(pieces, layout.pieces, strict=True)
    ]
    write_plate(target, (layout.width_mm, layout.height_mm), entries)
    return layout


def _layout(
    pieces: Sequence[WantedPiece],
    sheet_mm: tuple[float, float] | None,
    spacing_mm: float,
    border_mm: float,
) -> Arrangement:
    """Return the places of all pieces, and the sheet. Raises: RefusedError."""
    check_count(len(pieces))
    without = [piece for piece in pieces if piece.place_mm is None]
    if len(without) == len(pieces):
        sized = [SizedPiece(it.name, *it.size_mm, it.degrees) for it in pieces]
        return arranged(sized, sheet_mm, spacing_mm=spacing_mm, border_mm=border_mm)
    if without:
        raise RefusedError(
            "artwork.plate.some_places",
            field="pieces",
            name=without[0].name,
            count=len(pieces) - len(without),
        )
    placed = tuple(
        PlacedPiece(it.name, *it.size_mm, *it.place_mm, it.degrees or 0.0)
        for it in pieces
        if it.place_mm is not None
    )
    if sheet_mm is None:
        not_negative(border_mm, "border_mm", "mm")
        sheet_mm = (
            max(it.x_mm + it.turned_mm[0] for it in placed) + border_mm,
            max(it.y_mm + it.turned_mm[1] for it in placed) + border_mm,
        )
    return Arrangement(placed, *sheet_mm)
