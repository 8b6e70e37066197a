"""A row of a notebook, read from its cells. What cannot be used is refused by line and column."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

from controller.errors import RefusedError
from controller.physics.faraday import METALS
from controller.physics.readings import GaugeReading, Reading, Weighing
from controller.physics.relief import SteinerGrowth

DEEPEST_MM = 10.0
LARGEST = 1e7
"""Largest number in any column. A larger one is a slip of the unit."""

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_YES = frozenset({"yes", "y", "true", "1", "x"})
_NO = frozenset({"", "no", "n", "false", "0", "-"})


@dataclass(frozen=True, slots=True)
class NotebookRow:
    """One run as the notebook has it.

    :param line: its line in the file, from 1.
    :param bath: name of the bath, or "" where the notebook names none.
    :param edge_mm: 0 when not given.
    :param spots_mm: gauged depths; may be empty.
    :param lost_g: metal lost, or None.
    :param is_fresh: the bath got fresh acid before this run.
    """

    line: int
    bath: str
    metal: str
    day: date | None
    area_mm2: float
    edge_mm: float
    charge_coulombs: float
    spots_mm: tuple[float, ...]
    lost_g: float | None
    is_fresh: bool

    @property
    def growth(self) -> SteinerGrowth:
        """Growth of the openings, known by area and edge length only."""
        return SteinerGrowth(self.area_mm2, self.edge_mm)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """What the row measured: the spots, the weighing, or both."""
        readings: list[Reading] = []
        if self.spots_mm:
            readings.append(GaugeReading(self.charge_coulombs, self.spots_mm))
        if self.lost_g is not None:
            readings.append(Weighing(self.charge_coulombs, self.lost_g))
        return tuple(readings)


def row_of(cells: Mapping[str, str], line: int) -> NotebookRow:
    """Return the row in the cells of a line. Raises: RefusedError."""
    reader = _Cells(cells, line)
    charge_coulombs = reader.number("charge_coulombs", "C")
    if charge_coulombs is None:
        current_a, minutes = reader.number("current_a", "A"), reader.number("minutes", "min")
        if current_a is None or minutes is None:
            raise RefusedError("notebook.row.no_charge", field="file", line=line)
        charge_coulombs = current_a * minutes * 60.0
    area_cm2 = reader.number("area_cm2", "cm2")
    if area_cm2 is None:
        raise RefusedError("notebook.row.empty", field="file", line=line, column="area_cm2")
    return NotebookRow(
        line=line,
        bath=reader.text("bath"),
        metal=reader.metal(),
        day=reader.day(),
        area_mm2=100.0 * area_cm2,
        edge_mm=reader.number("edge_mm", "mm", is_zero_fine=True) or 0.0,
        charge_coulombs=charge_coulombs,
        spots_mm=reader.spots(),
        lost_g=reader.number("lost_g", "g"),
        is_fresh=reader.is_yes("fresh_acid"),
    )


class _Cells:
    """The cells of one line."""

    def __init__(self, cells: Mapping[str, str], line: int) -> None:
        self._cells = cells
        self._line = line

    def text(self, column: str) -> str:
        return " ".join(self._cells.get(column, "").split())

    def number(self, column: str, unit: str, *, is_zero_fine: bool = False) -> float | None:
        """Return the number in a cell, or None when it is empty. Raises: RefusedError."""
        given = self.text(column)
        if not given:
            return None
        value = self._value(column, given)
        if value < 0.0 or (value == 0.0 and not is_zero_fine):
            raise RefusedError(
                "notebook.row.not_above_zero",
                field="file",
                line=self._line,
                column=column,
                given=repr(given),
                unit=unit,
            )
        return value

    def spots(self) -> tuple[float, ...]:
        """Return the gauged depths, mm. Raises: RefusedError."""
        spots = []
        for given in self._cells.get("depth_mm", "").replace("/", " ").split():
            spot_mm = self._value("depth_mm", given)
            if not 0.0 < spot_mm <= DEEPEST_MM:
                raise RefusedError(
                    "notebook.row.not_a_depth",
                    field="file",
                    line=self._line,
                    given=repr(given),
                    limit_mm=DEEPEST_MM,
                )
            spots.append(spot_mm)
        return tuple(spots)

    def metal(self) -> str:
        given = self.text("metal")
        name = given.lower().replace(" ", "-")
        if name in METALS:
            return name
        for metal in METALS.values():
            if metal.title.lower() == given.lower():
                return metal.name
        if not given:
            raise RefusedError("notebook.row.empty", field="file", line=self._line, column="metal")
        near = get_close_matches(name, METALS)
        raise RefusedError(
            "notebook.row.unknown_metal",
            field="file",
            line=self._line,
            given=repr(given),
            known=", ".join(near or METALS),
        )

    def day(self) -> date | None:
        given = self.text("date")
        if not given:
            return None
        try:
            return date.fromisoformat(given[:10])
        except ValueError as error:
            raise RefusedError(
                "notebook.row.not_a_date", field="file", line=self._line, given=repr(given)
            ) from error

    def is_yes(self, column: str) -> bool:
        given = self.text(column)
        if given.lower() in _YES:
            return True
        if given.lower() in _NO:
            return False
        raise RefusedError(
            "notebook.row.not_yes",
            field="file",
            line=self._line,
            column=column,
            given=repr(given),
        )

    def _value(self, column: str, given: str) -> float:
        if _NUMBER.fullmatch(given) is None:
            raise RefusedError(
                "notebook.row.not_a_number",
                field="file",
                line=self._line,
                column=column,
                given=repr(given),
            )
        value = float(given.replace(",", "."))
        if abs(value) > LARGEST:
            raise RefusedError(
                "notebook.row.too_large",
                field="file",
                line=self._line,
                column=column,
                given=repr(given),
                largest=LARGEST,
            )
        return value
