"""Measures a plate file: each artwork by itself, and the whole plate on one grid.

Area and edge are the sums of the pieces, each measured on its own pixels, so that turning and
shifting a piece on the common grid costs no accuracy. Where pieces are so near to each other, or to
the edge of the sheet, that their undercuts meet, the growth is that of the whole plate. Runs inside
the worker process.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from controller.artwork import limits
from controller.artwork.assembly.layout import PlacedPiece, distance_mm
from controller.artwork.assembly.plate_file import PieceEntry
from controller.artwork.assembly.plate_picture import AssembledPlate
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, LinePlace, Pair
from controller.errors import RefusedError
from controller.physics.places import Place
from controller.planning.pieces_on_plate import PieceLine, PieceOnPlate
from controller.texts import Message
from controller.units import MM_PER_INCH

MeasureOne = Callable[[ReadableFile, MeasureOptions], ArtworkMeasure]

_QUALITIES = ("noisy", "one_bit", "grey", "drawing")
"""The plate is as good as its worst piece."""


@dataclass(frozen=True)
class _Measured:
    """A piece with the measurement of its artwork."""

    entry: PieceEntry
    placed: PlacedPiece
    alone: ArtworkMeasure
    copies: int

    def line(self, line: LinePlace) -> LinePlace:
        """Return a line of the artwork at its place on the plate."""
        middle_x_mm, middle_y_mm = self._middle_mm()
        x_mm, y_mm = self.placed.on_plate(line.x_mm - middle_x_mm, line.y_mm - middle_y_mm)
        return replace(line, x_mm=x_mm, y_mm=y_mm)

    def _middle_mm(self) -> tuple[float, float]:
        """The middle of the artwork, from its top left corner."""
        px_mm = MM_PER_INCH / self.alone.dpi
        return self.alone.width_px * px_mm / 2, self.alone.height_px * px_mm / 2


def measured_plate(
    plate: AssembledPlate,
    whole: ArtworkMeasure,
    places: Sequence[tuple[Place, ...]],
    options: MeasureOptions,
    one: MeasureOne,
) -> ArtworkMeasure:
    """Return the measurement of a plate.

    :param whole: measured on the common grid.
    :param places: of each piece; empty when nobody asked.
    :param options: as ``whole`` was measured.
    :param one: measures one artwork.
    Raises: RefusedError.
    """
    if options.copies != 1:
        raise RefusedError("artwork.plate.copies", field="copies", name=plate.plate.source.name)
    pieces = _pieces(plate, options, one)
    different = _different(pieces)
    area_mm2 = math.fsum(piece.alone.area_mm2 for piece in pieces)
    if _is_apart(plate, options.reach_mm):
        growth, off = _summed(different, "growth_mm2"), _added(different, "growth_uncertainty_mm2")
        edge_mm = math.fsum(piece.alone.edge_mm for piece in pieces)
        edge_off_mm = _deviation([(it.copies, it.alone.edge_uncertainty_mm) for it in different])
        lines = [piece.line(line) for piece in pieces for line in piece.alone.lost_lines]
        line_count = sum(piece.alone.lost_line_count for piece in pieces)
        narrowest = _narrowest(pieces, "narrowest_resist")
    else:
        step_mm2 = area_mm2 - whole.area_mm2
        growth = tuple((s_mm, max(0.0, grown + step_mm2)) for s_mm, grown in whole.growth_mm2)
        off, edge_mm = whole.growth_uncertainty_mm2, whole.edge_mm
        edge_off_mm = whole.edge_uncertainty_mm
        lines, line_count = list(whole.lost_lines), whole.lost_line_count
        narrowest = whole.narrowest_resist
    lines.sort(key=lambda line: line.width_mm)
    width_mm, height_mm = plate.plate.width_mm, plate.plate.height_mm
    return replace(
        whole,
        area_mm2=area_mm2,
        area_uncertainty_mm2=_deviation(
            [(it.copies, it.alone.area_uncertainty_mm2) for it in different]
        ),
        edge_mm=edge_mm,
        edge_uncertainty_mm=edge_off_mm,
        growth_mm2=growth,
        growth_uncertainty_mm2=off,
        width_mm=width_mm,
        height_mm=height_mm,
        open_fraction=area_mm2 / (width_mm * height_mm),
        open_fields=sum(piece.alone.open_fields for piece in pieces),
        narrowest_resist=narrowest,
        narrowest_open=_narrowest(pieces, "narrowest_open"),
        lost_lines=tuple(lines[: limits.MAX_LISTED_LINES]),
        lost_line_count=line_count,
        threshold_level=pieces[0].alone.threshold_level,
        quality=min((it.alone.quality for it in different), key=_QUALITIES.index),
        warnings=_warnings(different),
        pieces=tuple(
            _on_plate(piece, own, len(pieces))
            for piece, own in zip(pieces, places or [()] * len(pieces), strict=True)
        ),
    )


def _pieces(
    plate: AssembledPlate, options: MeasureOptions, one: MeasureOne
) -> tuple[_Measured, ...]:
    """Return the pieces with their measurements; copies are measured once."""
    keys = [(entry.file, entry.options) for entry in plate.plate.pieces]
    alone: dict[tuple[str, MeasureOptions], ArtworkMeasure] = {}
    for key, entry, placed in zip(keys, plate.plate.pieces, plate.placed, strict=True):
        if key not in alone:
            alone[key] = one(plate.plate.artwork(entry), _alone(entry.options, placed, options))
    return tuple(
        _Measured(entry, placed, alone[key], keys.count(key))
        for key, entry, placed in zip(keys, plate.plate.pieces, plate.placed, strict=True)
    )


def _alone(own: MeasureOptions, placed: PlacedPiece, options: MeasureOptions) -> MeasureOptions:
    """Return how to measure an artwork with the resist of the plate around it.

    An artwork with an outline or a margin ends there, as it does without a plate.
    """
    is_cut = own.plate_width_mm is not None or own.margin_mm is not None
    around_mm = 0.0 if is_cut else 2.0 * options.reach_mm + 1.0
    sides: dict[str, Any] = {
        "plate_width_mm": min(limits.MAX_SIDE_MM, placed.width_mm + around_mm),
        "plate_height_mm": min(limits.MAX_SIDE_MM, placed.height_mm + around_mm),
    }
    return replace(
        own,
        **({} if is_cut else sides),
        depth_mm=options.depth_mm,
        etch_factor=options.etch_factor,
        max_undercut_mm=options.max_undercut_mm,
    )


def _different(pieces: Sequence[_Measured]) -> list[_Measured]:
    """Return the first copy of each artwork."""
    return list({(it.entry.file, it.entry.options): it for it in reversed(pieces)}.values())[::-1]


def _is_apart(plate: AssembledPlate, reach_mm: float) -> bool:
    """Return whether no undercut meets another one or the edge of the sheet."""
    boxes = [
        placed.corners(part.open_mm) for placed, part in zip(plate.placed, plate.parts, strict=True)
    ]
    width_mm, height_mm = plate.plate.width_mm, plate.plate.height_mm
    is_inside = all(
        reach_mm <= x_mm <= width_mm - reach_mm and reach_mm <= y_mm <= height_mm - reach_mm
        for box in boxes
        for x_mm, y_mm in box
    )
    return is_inside and all(
        distance_mm(first, second) >= 2.0 * reach_mm for first, second in combinations(boxes, 2)
    )


def _deviation(parts: Sequence[tuple[int, float]]) -> float:
    """Return the deviation of a sum. Copies err alike, different artworks do not."""
    return math.hypot(*(copies * off for copies, off in parts))


def _summed(different: Sequence[_Measured], name: str) -> tuple[Pair, ...]:
    curves = [(it.copies, getattr(it.alone, name)) for it in different]
    return tuple(
        (pair[0], math.fsum(copies * curve[place][1] for copies, curve in curves))
        for place, pair in enumerate(curves[0][1])
    )


def _added(different: Sequence[_Measured], name: str) -> tuple[Pair, ...]:
    curves = [(it.copies, getattr(it.alone, name)) for it in different]
    return tuple(
        (pair[0], _deviation([(copies, curve[place][1]) for copies, curve in curves]))
        for place, pair in enumerate(curves[0][1])
    )


def _warnings(different: Sequence[_Measured]) -> tuple[Message, ...]:
    """Return the warnings of all artworks, each once and with the name of its file."""
    return tuple(
        Message("artwork.plate.warning", {"name": it.placed.name, "warning": warning})
        for it in different
        for warning in it.alone.warnings
    )


def _narrowest(pieces: Sequence[_Measured], name: str) -> LinePlace | None:
    found = [
        piece.line(line) for piece in pieces if (line := getattr(piece.alone, name)) is not None
    ]
    return min(found, key=lambda line: line.width_mm, default=None)


def _on_plate(piece: _Measured, places: tuple[Place, ...], count: int) -> PieceOnPlate:
    """Return what the plate keeps of a piece; its lines are listed as far as there is room."""
    alone, placed = piece.alone, piece.placed
    listed = alone.lost_lines[: max(1, limits.MAX_LISTED_LINES // count)]
    lines = (piece.line(line) for line in listed)
    return PieceOnPlate(
        name=placed.name,
        sha256=alone.sha256,
        x_mm=placed.x_mm,
        y_mm=placed.y_mm,
        degrees=placed.degrees,
        width_mm=placed.width_mm,
        height_mm=placed.height_mm,
        area_mm2=alone.area_mm2,
        area_uncertainty_mm2=alone.area_uncertainty_mm2,
        edge_mm=alone.edge_mm,
        narrow_lines=tuple(PieceLine(line.x_mm, line.y_mm, line.width_mm) for line in lines),
        line_count=alone.lost_line_count,
        narrowest_open_mm=None if alone.narrowest_open is None else alone.narrowest_open.width_mm,
        places=places,
    )
