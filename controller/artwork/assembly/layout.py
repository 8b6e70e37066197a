"""Where the pieces of a plate lie, checked. Standard library only."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from controller.artwork import limits
from controller.errors import RefusedError

Point = tuple[float, float]

MOST_PIECES = 100
"""Most pieces on a plate. Their lost lines and places must fit into one answer."""

TOUCH_MM = 0.001
"""Pieces may overlap, and reach beyond the sheet, by this much: the rounding of typed places."""


@dataclass(frozen=True, slots=True)
class PlacedPiece:
    """A piece on the plate.

    :param name: of its file, for people.
    :param width_mm, height_mm: of its outline before it is turned.
    :param x_mm, y_mm: left and top edge of the turned outline, from the plate's top left corner.
    :param degrees: clockwise, as seen on the picture.
    """

    name: str
    width_mm: float
    height_mm: float
    x_mm: float
    y_mm: float
    degrees: float = 0.0

    @property
    def turned_mm(self) -> tuple[float, float]:
        """Width and height of the turned outline."""
        return turned_size(self.width_mm, self.height_mm, self.degrees)

    @property
    def centre_mm(self) -> Point:
        """The middle of the outline, on the plate."""
        width_mm, height_mm = self.turned_mm
        return self.x_mm + width_mm / 2, self.y_mm + height_mm / 2

    def on_plate(self, x_mm: float, y_mm: float) -> Point:
        """Return the place on the plate of a point of the artwork, from the artwork's middle."""
        cos, sin = cos_sin(self.degrees)
        centre_x_mm, centre_y_mm = self.centre_mm
        return centre_x_mm + cos * x_mm - sin * y_mm, centre_y_mm + sin * x_mm + cos * y_mm

    def corners(self, box_mm: tuple[float, float, float, float] | None = None) -> list[Point]:
        """Return the corners of the outline, or of a box in it, on the plate.

        :param box_mm: left, top, right and bottom, from the artwork's middle.
        """
        half_x_mm, half_y_mm = self.width_mm / 2, self.height_mm / 2
        left, top, right, bottom = box_mm or (-half_x_mm, -half_y_mm, half_x_mm, half_y_mm)
        around = ((left, top), (right, top), (right, bottom), (left, bottom))
        return [self.on_plate(*corner) for corner in around]


def cos_sin(degrees: float) -> tuple[float, float]:
    """Return cosine and sine of an angle, exact for quarter turns."""
    quarters = degrees / 90.0
    if quarters == round(quarters):
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarters) % 4]
    return math.cos(math.radians(degrees)), math.sin(math.radians(degrees))


def turned_size(width_mm: float, height_mm: float, degrees: float) -> tuple[float, float]:
    """Return width and height of the upright rectangle around a turned one."""
    cos, sin = (abs(part) for part in cos_sin(degrees))
    return width_mm * cos + height_mm * sin, width_mm * sin + height_mm * cos


def check_layout(pieces: Sequence[PlacedPiece], width_mm: float, height_mm: float) -> None:
    """Check that all pieces lie on the sheet, none on another.

    Raises: RefusedError with the value and its limit.
    """
    check_count(len(pieces))
    check_sheet(width_mm, height_mm)
    for piece in pieces:
        _check_place(piece, width_mm, height_mm)
    for first, second in combinations(pieces, 2):
        overlap_mm = -distance_mm(first.corners(), second.corners())
        if overlap_mm > TOUCH_MM:
            raise RefusedError(
                "artwork.plate.overlap",
                field="pieces",
                first=first.name,
                second=second.name,
                overlap_mm=overlap_mm,
                limit_mm=0.0,
            )


def check_count(count: int) -> None:
    """Check the number of pieces. Raises: RefusedError."""
    if not 1 <= count <= MOST_PIECES:
        raise RefusedError(
            "artwork.plate.count", field="pieces", pieces=count, limit_pieces=MOST_PIECES
        )


def check_sheet(width_mm: float, height_mm: float) -> None:
    """Check the size of the sheet. Raises: RefusedError."""
    for side_mm in (width_mm, height_mm):
        if not limits.MIN_SIDE_MM <= side_mm <= limits.MAX_SIDE_MM:
            raise RefusedError(
                "artwork.plate.sheet",
                field="sheet_mm",
                side_mm=side_mm,
                low_mm=limits.MIN_SIDE_MM,
                high_mm=limits.MAX_SIDE_MM,
            )


def _check_place(piece: PlacedPiece, width_mm: float, height_mm: float) -> None:
    """Check that a piece is on the sheet. Raises: RefusedError."""
    if not all(map(math.isfinite, (piece.x_mm, piece.y_mm, piece.degrees))):
        raise RefusedError("artwork.plate.no_place", field="pieces", name=piece.name)
    piece_width_mm, piece_height_mm = piece.turned_mm
    beyond_mm = max(
        -piece.x_mm,
        -piece.y_mm,
        piece.x_mm + piece_width_mm - width_mm,
        piece.y_mm + piece_height_mm - height_mm,
    )
    if beyond_mm > TOUCH_MM:
        raise RefusedError(
            "artwork.plate.beyond",
            field="pieces",
            name=piece.name,
            beyond_mm=beyond_mm,
            width_mm=width_mm,
            height_mm=height_mm,
            limit_mm=0.0,
        )


def distance_mm(first: Sequence[Point], second: Sequence[Point]) -> float:
    """Return how far two convex outlines are apart, mm; negative: how deep they overlap.

    Source: separating axis theorem for convex polygons.
    """
    widest_mm = max(
        _gap_mm(first, second, normal) for normal in (*_normals(first), *_normals(second))
    )
    if widest_mm <= 0.0:
        return widest_mm
    return min(
        _to_side_mm(corner, side)
        for one, other in ((first, second), (second, first))
        for corner in one
        for side in _sides(other)
    )


def _sides(outline: Sequence[Point]) -> Iterator[tuple[Point, Point]]:
    return pairwise((*outline, outline[0]))


def _normals(outline: Sequence[Point]) -> Iterator[Point]:
    for (x0, y0), (x1, y1) in _sides(outline):
        length = math.hypot(x1 - x0, y1 - y0)
        if length > 0.0:
            yield (y1 - y0) / length, (x0 - x1) / length


def _gap_mm(first: Sequence[Point], second: Sequence[Point], normal: Point) -> float:
    one = [x * normal[0] + y * normal[1] for x, y in first]
    other = [x * normal[0] + y * normal[1] for x, y in second]
    return max(min(other) - max(one), min(one) - max(other))


def _to_side_mm(corner: Point, side: tuple[Point, Point]) -> float:
    (x0, y0), (x1, y1) = side
    dx, dy = x1 - x0, y1 - y0
    square = dx * dx + dy * dy
    along = ((corner[0] - x0) * dx + (corner[1] - y0) * dy) / square if square > 0.0 else 0.0
    along = min(1.0, max(0.0, along))
    return math.hypot(corner[0] - x0 - along * dx, corner[1] - y0 - along * dy)
