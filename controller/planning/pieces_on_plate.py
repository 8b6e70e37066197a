"""The pieces of a plate that was put together from several artworks. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controller.physics.places import Place


@dataclass(frozen=True, slots=True)
class PieceLine:
    """A narrow resist line of a piece, where it is narrowest, from the plate's top left corner."""

    x_mm: float
    y_mm: float
    width_mm: float


@dataclass(frozen=True, slots=True)
class PieceOnPlate:
    """One piece of a plate: where it lies, and what was measured of it.

    :param name: of its file.
    :param sha256: of its file's bytes.
    :param x_mm, y_mm: left and top edge of the turned piece, from the plate's top left corner.
    :param degrees: turned clockwise by this much.
    :param width_mm, height_mm: of its outline before it is turned.
    :param area_mm2, edge_mm: its open area, and the length of the edges around it.
    :param narrow_lines: its resist lines that an undercut could eat through, narrowest first.
    :param line_count: all of them, also those not listed.
    :param narrowest_open_mm: its narrowest opening, or None.
    :param places: how deep its places get against the mean depth of the whole plate; may be empty.
    """

    name: str
    sha256: str
    x_mm: float
    y_mm: float
    degrees: float
    width_mm: float
    height_mm: float
    area_mm2: float
    area_uncertainty_mm2: float
    edge_mm: float
    narrow_lines: tuple[PieceLine, ...] = ()
    line_count: int = 0
    narrowest_open_mm: float | None = None
    places: tuple[Place, ...] = ()

    def lost_line_count(self, undercut_mm: float) -> int:
        """Return how many of its lines an undercut per side eats through."""
        lost = sum(line.width_mm < 2.0 * undercut_mm for line in self.narrow_lines)
        # The lines that are not listed are wider than all that are.
        return lost if lost < len(self.narrow_lines) else self.line_count


@dataclass(frozen=True, slots=True)
class PlannedPiece:
    """What a plan shows of a piece.

    :param x_mm, y_mm, degrees: as ``PieceOnPlate``.
    :param share_of_area: of the open area of all pieces, 0 to 1.
    :param lost_line_count: resist lines that will not survive at the target depth.
    """

    name: str
    x_mm: float
    y_mm: float
    degrees: float
    area_mm2: float
    share_of_area: float
    edge_mm: float
    lost_line_count: int


def planned_pieces(pieces: Sequence[PieceOnPlate], undercut_mm: float) -> tuple[PlannedPiece, ...]:
    """Return what a plan shows of each piece.

    :param undercut_mm: per side at the target depth, the largest that is likely.
    """
    total_mm2 = sum(piece.area_mm2 for piece in pieces)
    return tuple(
        PlannedPiece(
            name=piece.name,
            x_mm=piece.x_mm,
            y_mm=piece.y_mm,
            degrees=piece.degrees,
            area_mm2=piece.area_mm2,
            share_of_area=piece.area_mm2 / total_mm2,
            edge_mm=piece.edge_mm,
            lost_line_count=piece.lost_line_count(undercut_mm),
        )
        for piece in pieces
    )


def piece_from_json(values: Mapping[str, Any]) -> PieceOnPlate:
    """Return a piece from the JSON values of its fields.

    Raises: RefusedError, KeyError, TypeError or ValueError for other values.
    """
    known = dict(values)
    narrowest_mm = known.get("narrowest_open_mm")
    numbers: dict[str, Any] = {name: _number(known[name]) for name in _NUMBERS}
    count = known.get("line_count", 0)
    if type(count) is not int:
        raise TypeError("line_count")
    return PieceOnPlate(
        name=_text(known["name"]),
        sha256=_text(known["sha256"]),
        **numbers,
        narrow_lines=tuple(
            PieceLine(*(_number(line[name]) for name in ("x_mm", "y_mm", "width_mm")))
            for line in known.get("narrow_lines") or ()
        ),
        line_count=count,
        narrowest_open_mm=None if narrowest_mm is None else _number(narrowest_mm),
        places=tuple(
            Place(**{**place, "ratios": tuple(map(_number, place["ratios"]))})
            for place in known.get("places") or ()
        ),
    )


_NUMBERS = (
    "x_mm",
    "y_mm",
    "degrees",
    "width_mm",
    "height_mm",
    "area_mm2",
    "area_uncertainty_mm2",
    "edge_mm",
)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(repr(value))
    number = float(value)
    if number - number != 0.0:
        raise ValueError(repr(value))
    return number


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(repr(value))
    return value
