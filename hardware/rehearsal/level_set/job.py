"""The front solver's job and its solution, to JSON and back. Standard library only."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from controller.artwork import limits
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import not_negative, positive
from hardware.rehearsal.front_table import FrontRow, FrontTable, Spot
from hardware.rehearsal.spec import GAP_MM

MAX_CROWDING = 1.0
"""At twice the speed of a wide floor, the edges would etch by another process."""


@dataclass(frozen=True, slots=True)
class FrontJob:
    """A job for the front solver.

    :param options: how to read the artwork. All its copies count.
    :param etch_factor: depth over undercut per side.
    :param deepest_mm: final depth of a wide floor.
    :param evenness: how far the speed follows the current distribution of the bath, 0 uniform to 1
        ohmic (field/kinetics.py).
    :param gap_mm: between plate and minus plate.
    :param spots: places whose true depth is wanted.
    :param crowding: excess speed of the etching at the edge of the resist, as a share of that of a
        wide floor; 0 for none.
    Raises: RefusedError for a value beyond its limit.
    """

    path: Path
    options: MeasureOptions
    etch_factor: float
    deepest_mm: float
    crowding: float = 0.0
    evenness: float = 0.0
    gap_mm: float = GAP_MM
    spots: tuple[Spot, ...] = ()

    def __post_init__(self) -> None:
        positive(self.deepest_mm, "depth_mm", "mm")
        positive(self.etch_factor, "etch_factor", "")
        if self.undercut_mm > limits.MAX_UNDERCUT_MM:
            raise RefusedError(
                "hardware.front.undercut",
                field="depth_mm",
                depth_mm=self.deepest_mm,
                etch_factor=self.etch_factor,
                undercut_mm=self.undercut_mm,
                limit_mm=limits.MAX_UNDERCUT_MM,
            )
        if not_negative(self.crowding, "crowding", "") > MAX_CROWDING:
            raise RefusedError(
                "hardware.front.crowding",
                field="crowding",
                crowding=self.crowding,
                largest=MAX_CROWDING,
            )

    @property
    def undercut_mm(self) -> float:
        """How far the front moves under the resist, mm."""
        return self.deepest_mm / self.etch_factor

    def to_dict(self) -> dict[str, Any]:
        """Return the job as JSON values."""
        return {**asdict(self), "path": str(self.path.resolve()), "options": self.options.to_dict()}

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> FrontJob:
        """Return the job in JSON values."""
        return cls(
            **{
                **table,
                "path": Path(table["path"]),
                "options": MeasureOptions.from_dict(table["options"]),
                "spots": tuple(Spot(**spot) for spot in table["spots"]),
            }
        )


@dataclass(frozen=True, slots=True)
class FrontSolution:
    """The etching of an artwork, and the grid that it was solved on."""

    table: FrontTable
    cell_mm: float
    cells: int
    steps: int

    def to_dict(self) -> dict[str, Any]:
        """Return the solution as JSON values."""
        rows = [(row.depth_mm, row.volume_mm3, row.deepest_mm) for row in self.table.rows]
        spots = [(spot.name, spot.x_mm, spot.y_mm, ratio) for spot, ratio in self.table.spots]
        table = {"rows": rows, "spots": spots}
        return {**table, "cell_mm": self.cell_mm, "cells": self.cells, "steps": self.steps}

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> FrontSolution:
        """Return the solution in JSON values.

        Raises: KeyError, TypeError, ValueError for others.
        """
        rows = tuple(
            FrontRow(float(depth), float(volume), float(deepest))
            for depth, volume, deepest in table["rows"]
        )
        spots = tuple(
            (Spot(str(name), float(x_mm), float(y_mm)), float(ratio))
            for name, x_mm, y_mm, ratio in table["spots"]
        )
        return cls(
            FrontTable(rows, spots),
            float(table["cell_mm"]),
            int(table["cells"]),
            int(table["steps"]),
        )
