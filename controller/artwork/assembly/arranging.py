"""Arranges pieces on a sheet in rows. Standard library only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.artwork.assembly.layout import PlacedPiece, check_count, check_sheet, turned_size
from controller.errors import RefusedError
from controller.units import not_negative

SPACING_MM = 3.0
"""Resist between two pieces, to cut them apart in. Common practice, no source."""

BORDER_MM = 5.0
"""Resist between the pieces and the edge of the sheet, for tape. Common practice, no source."""

_FITS_MM = 1e-6


@dataclass(frozen=True, slots=True)
class SizedPiece:
    """A piece without a place.

    :param degrees: how it must be turned, clockwise; None leaves it upright, or turns it by 90
        degrees where it fits only so.
    """

    name: str
    width_mm: float
    height_mm: float
    degrees: float | None = None


@dataclass(frozen=True, slots=True)
class Arrangement:
    """The places of all pieces, in their order, and the sheet that holds them."""

    pieces: tuple[PlacedPiece, ...]
    width_mm: float
    height_mm: float


def arranged(
    pieces: Sequence[SizedPiece],
    sheet_mm: tuple[float, float] | None = None,
    *,
    spacing_mm: float = SPACING_MM,
    border_mm: float = BORDER_MM,
) -> Arrangement:
    """Return places in rows, the highest pieces first.

    :param sheet_mm: width and height; None finds the sheet with the shortest sides.
    Raises: RefusedError when the pieces do not fit.
    """
    check_count(len(pieces))
    not_negative(spacing_mm, "spacing_mm", "mm")
    not_negative(border_mm, "border_mm", "mm")
    if sheet_mm is not None:
        check_sheet(*sheet_mm)
        return _on_sheet(pieces, sheet_mm, spacing_mm, border_mm)
    turns = [piece.degrees or 0.0 for piece in pieces]
    sizes = _sizes(pieces, turns)
    order = _order(sizes)
    widths = [sizes[index][0] for index in order]
    widest = max(widths)
    tried = (sum(widths[:count]) + spacing_mm * (count - 1) for count in range(1, len(pieces) + 1))
    places = min(
        (_rows(sizes, order, max(widest, room), spacing_mm) for room in tried),
        key=lambda rows: sum(_extent(sizes, rows)),
    )
    width_mm, height_mm = (side + 2 * border_mm for side in _extent(sizes, places))
    check_sheet(width_mm, height_mm)
    return Arrangement(_placed(pieces, turns, places, border_mm), width_mm, height_mm)


def _on_sheet(
    pieces: Sequence[SizedPiece],
    sheet_mm: tuple[float, float],
    spacing_mm: float,
    border_mm: float,
) -> Arrangement:
    """Return places on a sheet of a given size. Raises: RefusedError."""
    room_mm = sheet_mm[0] - 2 * border_mm, sheet_mm[1] - 2 * border_mm
    turns = [_turn(piece, room_mm, border_mm) for piece in pieces]
    sizes = _sizes(pieces, turns)
    places = _rows(sizes, _order(sizes), room_mm[0], spacing_mm)
    needed_mm = _extent(sizes, places)[1]
    if needed_mm > room_mm[1] + _FITS_MM:
        raise RefusedError(
            "artwork.plate.no_room",
            field="pieces",
            pieces=len(pieces),
            width_mm=sheet_mm[0],
            height_mm=sheet_mm[1],
            needed_mm=needed_mm + 2 * border_mm,
            limit_mm=sheet_mm[1],
        )
    return Arrangement(_placed(pieces, turns, places, border_mm), *sheet_mm)


def _turn(piece: SizedPiece, room_mm: tuple[float, float], border_mm: float) -> float:
    """Return how far to turn a piece so that it fits by itself. Raises: RefusedError."""
    for degrees in (0.0, 90.0) if piece.degrees is None else (piece.degrees,):
        width_mm, height_mm = turned_size(piece.width_mm, piece.height_mm, degrees)
        if width_mm <= room_mm[0] + _FITS_MM and height_mm <= room_mm[1] + _FITS_MM:
            return degrees
    raise RefusedError(
        "artwork.plate.too_large",
        field="pieces",
        name=piece.name,
        width_mm=piece.width_mm,
        height_mm=piece.height_mm,
        room_width_mm=max(0.0, room_mm[0]),
        room_height_mm=max(0.0, room_mm[1]),
        border_mm=border_mm,
    )


def _sizes(pieces: Sequence[SizedPiece], turns: Sequence[float]) -> list[tuple[float, float]]:
    return [
        turned_size(piece.width_mm, piece.height_mm, degrees)
        for piece, degrees in zip(pieces, turns, strict=True)
    ]


def _order(sizes: Sequence[tuple[float, float]]) -> list[int]:
    """Return the places in the list, the highest piece first."""
    return sorted(range(len(sizes)), key=lambda index: (-sizes[index][1], -sizes[index][0]))


def _rows(
    sizes: Sequence[tuple[float, float]], order: Sequence[int], room_mm: float, spacing_mm: float
) -> list[tuple[float, float]]:
    """Return left and top of each piece, in rows of at most this width."""
    places = [(0.0, 0.0)] * len(sizes)
    x_mm = y_mm = row_mm = 0.0
    for index in order:
        width_mm, height_mm = sizes[index]
        if x_mm > 0.0 and x_mm + width_mm > room_mm + _FITS_MM:
            x_mm, y_mm, row_mm = 0.0, y_mm + row_mm + spacing_mm, 0.0
        places[index] = x_mm, y_mm
        x_mm += width_mm + spacing_mm
        row_mm = max(row_mm, height_mm)
    return places


def _extent(
    sizes: Sequence[tuple[float, float]], places: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """Return width and height of everything."""
    both = list(zip(sizes, places, strict=True))
    return max(p[0] + s[0] for s, p in both), max(p[1] + s[1] for s, p in both)


def _placed(
    pieces: Sequence[SizedPiece],
    turns: Sequence[float],
    places: Sequence[tuple[float, float]],
    border_mm: float,
) -> tuple[PlacedPiece, ...]:
    return tuple(
        PlacedPiece(
            piece.name,
            piece.width_mm,
            piece.height_mm,
            round(x_mm + border_mm, 3),
            round(y_mm + border_mm, 3),
            degrees,
        )
        for piece, degrees, (x_mm, y_mm) in zip(pieces, turns, places, strict=True)
    )
