"""What is asked of the front solver and how it answers, to JSON and back. Standard library only."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from controller.artwork import limits
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import not_negative, positive
from hardware.rehearsal.front_table import FrontRow, FrontTable

MAX_CROWDING = 1.0
"""At twice the speed of a wide floor the edges would be another process."""


@dataclass(frozen=True, slots=True)
class FrontJob:
    """What to solve.

    :param options: how to read the artwork; all its copies count.
    :param etch_factor: depth over undercut per side.
    :param deepest_mm: how deep a plain floor gets.
    :param crowding: how much faster than a wide floor metal goes at the very edge of the resist, 0 for none.
    Raises: RefusedError naming the value and its limit.
    """

    path: Path
    options: MeasureOptions
    etch_factor: float
    deepest_mm: float
    crowding: float = 0.0

    def __post_init__(self) -> None:
        positive(self.deepest_mm, "depth_mm", "mm")
        positive(self.etch_factor, "etch_factor", "")
        if self.undercut_mm > limits.MAX_UNDERCUT_MM:
            raise RefusedError(
                f"depth {self.deepest_mm:.3g} mm at etch factor {self.etch_factor:g} undercuts {self.undercut_mm:.3g} mm, more "
                f"than {limits.MAX_UNDERCUT_MM:g} mm: rehearse with area and edge length instead of the artwork",
                field="depth_mm",
                limit=f"{limits.MAX_UNDERCUT_MM:g} mm undercut",
            )
        if not_negative(self.crowding, "crowding", "") > MAX_CROWDING:
            raise RefusedError(
                f"crowding is {self.crowding:g}, it must be 0 to {MAX_CROWDING:g}",
                field="crowding",
                limit=f"0-{MAX_CROWDING:g}",
            )

    @property
    def undercut_mm(self) -> float:
        """How far the front gets under the resist, mm."""
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
            }
        )


@dataclass(frozen=True, slots=True)
class FrontSolution:
    """The etching of an artwork, and what it was solved on."""

    table: FrontTable
    cell_mm: float
    cells: int
    steps: int

    def to_dict(self) -> dict[str, Any]:
        """Return the solution as JSON values."""
        rows = [(row.depth_mm, row.volume_mm3, row.deepest_mm) for row in self.table.rows]
        return {"rows": rows, "cell_mm": self.cell_mm, "cells": self.cells, "steps": self.steps}

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> FrontSolution:
        """Return the solution in JSON values. Raises: KeyError, TypeError, ValueError for values that are none."""
        rows = tuple(
            FrontRow(float(depth), float(volume), float(deepest))
            for depth, volume, deepest in table["rows"]
        )
        return cls(
            FrontTable(rows), float(table["cell_mm"]), int(table["cells"]), int(table["steps"])
        )
