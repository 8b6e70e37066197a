"""The parts of the table of measurements: lines with a baseline, statistics, the machine."""

from __future__ import annotations

import math
import os
import platform
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import linear_regression, median, quantiles
from typing import Any, TypeVar

Measure = TypeVar("Measure")

Pair = tuple[float, float]
"""Figure and baseline of one repetition."""


@dataclass(frozen=True)
class Place:
    """Where a row should land: the ratio or the figure itself, at most or at least so much."""

    limit: float
    is_least: bool = False
    of_figure: bool = False
    unit: str = ""

    def __str__(self) -> str:
        bound = "at least" if self.is_least else "at most"
        unit = f" {self.unit}" if self.of_figure else "x"
        return f"{bound} {self.limit:g}{unit}"

    def is_met_by(self, value: float) -> bool:
        return value >= self.limit if self.is_least else value <= self.limit


@dataclass(frozen=True)
class Line:
    """One line of the table.

    :param spread: 10 % and 90 % points over the repetitions, of the ratio, or of the figure where
        there is no baseline.
    """

    row: int
    what: str
    figure: float
    unit: str
    baseline: str
    baseline_figure: float | None
    ratio: float | None
    spread: Pair
    repetitions: int
    place: Place | None = None

    @property
    def is_met(self) -> bool | None:
        if self.place is None:
            return None
        value = self.figure if self.place.of_figure else self.ratio
        return None if value is None else self.place.is_met_by(value)

    def to_json(self) -> dict[str, Any]:
        return {
            **asdict(self),
            "place": None if self.place is None else str(self.place),
            "is_met": self.is_met,
        }


def spread(values: Sequence[float]) -> Pair:
    """Return the 10 % and 90 % points, ends of the range for few values."""
    if len(values) < 2:
        return values[0], values[0]
    tenths = quantiles(values, n=10, method="inclusive")
    return tenths[0], tenths[-1]


def percentile(values: Sequence[float], percent: float) -> float:
    """Return the smallest value that so many percent of the values do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(percent / 100.0 * len(ordered)) - 1)]


def interleaved(
    ours: Callable[[], Measure], baseline: Callable[[], Measure], repetitions: int
) -> list[tuple[Measure, Measure]]:
    """Return the figures of both, measured in turn, each second time the other way round."""
    pairs = []
    for index in range(repetitions):
        if index % 2:
            theirs = baseline()
            pairs.append((ours(), theirs))
        else:
            mine = ours()
            pairs.append((mine, baseline()))
    return pairs


def compared(
    row: int, what: str, pairs: Sequence[Pair], unit: str, baseline: str, place: Place | None = None
) -> Line:
    """Return the line of a figure and its baseline: their medians, and the median of the ratios."""
    ratios = [mine / theirs for mine, theirs in pairs]
    figures = median(mine for mine, _ in pairs), median(theirs for _, theirs in pairs)
    return Line(
        row,
        what,
        figures[0],
        unit,
        baseline,
        figures[1],
        median(ratios),
        spread(ratios),
        len(pairs),
        place,
    )


def single(
    row: int,
    what: str,
    values: Sequence[float],
    unit: str,
    place: Place | None = None,
    baseline: str = "",
) -> Line:
    """Return the line of a figure without a baseline."""
    return Line(
        row, what, median(values), unit, baseline, None, None, spread(values), len(values), place
    )


def exponent(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """Return b of the least squares fit cost = a size^b."""
    return linear_regression(
        [math.log(size) for size in sizes], [math.log(cost) for cost in costs]
    ).slope


def grown(
    what: str,
    sizes: Sequence[float],
    repetitions: Sequence[Sequence[float]],
    unit: str,
    limit: float | None = None,
) -> Line:
    """Return the line of row 10: the exponent over the sizes, from one sequence of costs per
    repetition.

    The baseline figure is the cost at the smallest size, the ratio that at the largest over it.
    """
    exponents = [exponent(sizes, costs) for costs in repetitions]
    first, last = (median(costs[end] for costs in repetitions) for end in (0, -1))
    what = f"{what}, {' / '.join(f'{size:g}' for size in sizes)}"
    place = None if limit is None else Place(limit, of_figure=True)
    slope, ends = median(exponents), spread(exponents)
    return Line(
        10,
        what,
        slope,
        f"exponent ({unit})",
        "smallest size",
        first,
        last / first,
        ends,
        len(exponents),
        place,
    )


def machine() -> dict[str, Any]:
    """Return what the figures were measured on."""
    lines = Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace").splitlines()
    models = [
        line.partition(":")[2].strip()
        for line in lines
        if line.lower().startswith(("model name", "model\t"))
    ]
    names = {
        line.partition(":")[2].strip() for line in lines if line.startswith("model name")
    } or set(models[-1:])
    return {
        "cpu": ", ".join(sorted(names)) or platform.machine(),
        "cores": len(os.sched_getaffinity(0)),
        "system": platform.platform(),
        "python": platform.python_version(),
        "load": [round(value, 2) for value in os.getloadavg()],
    }


def number(value: float | None) -> str:
    """Return three digits that count."""
    if value is None:
        return ""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


HEADINGS = (
    "row",
    "what",
    "figure",
    "unit",
    "baseline",
    "is",
    "ratio",
    "10 to 90 %",
    "wanted",
    "met",
)


def table(lines: Sequence[Line]) -> str:
    """Return the lines as a table in Markdown."""
    met = {None: "", True: "yes", False: "NO"}
    rows = [HEADINGS, tuple("-" * len(heading) for heading in HEADINGS)]
    rows += [
        (
            str(line.row),
            line.what,
            number(line.figure),
            line.unit,
            line.baseline,
            number(line.baseline_figure),
            number(line.ratio),
            f"{number(line.spread[0])} to {number(line.spread[1])}",
            "" if line.place is None else str(line.place),
            met[line.is_met],
        )
        for line in lines
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    return "\n".join(
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |"
        for row in rows
    )
