"""The log of any other meter: lines of text to samples, samples to charge and gaps. Pure.

A header names the columns ``time_s`` and ``current_a``, and ``voltage_v`` where the meter has it;
other columns are ignored. Tabs separate the columns when the header has one, else semicolons, else
commas. Where commas do not separate columns, a comma inside a number is a decimal comma; one file
uses one decimal sign. Empty lines and lines that begin with # are skipped. A line that could be
read in two ways is refused.
"""

from __future__ import annotations

import csv
import math
import re
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from statistics import median

from controller.errors import RefusedError
from controller.messages import Sample
from controller.physics.charge import ChargeGapError, CoulombCounter
from controller.physics.sampling import missed_coulombs
from controller.units import positive

GAP_STEPS = 2.5
"""Longer than this many median steps is a gap: one missing sample still passes, two do not."""

REVERSE_FRACTION = 0.01
"""Share of the largest current that may flow backwards as noise: about a meter's zero error."""

MAX_SAMPLES = 20_000_000
"""A run of eleven days at 20 samples per second: longer is another log."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COLUMNS = ("time_s", "current_a", "voltage_v")
_LARGEST = 1e12


@dataclass(frozen=True, slots=True)
class MeterLog:
    """Samples in the order of their times, which rise.

    :param voltage_v: empty when the log has no voltage.
    """

    time_s: Sequence[float]
    current_a: Sequence[float]
    voltage_v: Sequence[float]

    @property
    def median_step_s(self) -> float:
        """Median time between two samples, s."""
        return median(b - a for a, b in zip(self.time_s[:-1], self.time_s[1:], strict=True))


@dataclass(frozen=True, slots=True)
class MeterGap:
    """A time without samples, and bounds of its charge.

    The upper bound is the log's largest current all the time. The lower one is 0, or as much
    backwards in a signed count.
    """

    from_s: float
    to_s: float
    low_coulombs: float
    high_coulombs: float

    @property
    def length_s(self) -> float:
        """Return how long it is, s."""
        return self.to_s - self.from_s


@dataclass(frozen=True, slots=True)
class MeterCount:
    """What a log adds up to.

    :param charge_coulombs: counted between samples that are no gap apart.
    :param uncertain_coulombs: up to this much more may have flowed in the gaps, and as much
        backwards in a signed count.
    :param sampling_coulombs: half the charge's 95 % interval for what its samples missed.
    :param energy_j: counted likewise, or None without a voltage.
    :param max_gap_s: longest time between two samples that was counted.
    """

    charge_coulombs: float
    uncertain_coulombs: float
    sampling_coulombs: float
    energy_j: float | None
    duration_s: float
    samples: int
    median_step_s: float
    max_gap_s: float
    highest_current_a: float
    gaps: tuple[MeterGap, ...]

    @property
    def counted_s(self) -> float:
        """Return the duration without the gaps, s."""
        return self.duration_s - sum(gap.length_s for gap in self.gaps)


def count_log(log: MeterLog, max_gap_s: float | None = None, *, signed: bool = False) -> MeterCount:
    """Return charge, energy and gaps of a log, by the trapezoid rule over its own time stamps.

    :param max_gap_s: longest time between two samples that is counted, or None for GAP_STEPS
        times the median.
    :param signed: count a current backwards as negative charge instead of refusing it, for a log
        of plating and stripping.
    Raises: RefusedError.
    """
    median_step_s = log.median_step_s
    longest_s = (
        GAP_STEPS * median_step_s if max_gap_s is None else positive(max_gap_s, "max_gap_s", "s")
    )
    highest_a = max(map(abs, log.current_a))
    if not signed:
        _refuse_reverse(log, highest_a)
    counter = CoulombCounter(longest_s, highest_a, math.inf, highest_a)
    counter.anchor(_sample(log, 0))
    gaps = []
    energy_j = 0.0
    intervals_s, differences_a = array("d"), array("d")
    for k in range(1, len(log.time_s)):
        from_s, to_s = log.time_s[k - 1], log.time_s[k]
        try:
            counter.add(_sample(log, k))
        except ChargeGapError:
            most_coulombs = (to_s - from_s) * highest_a
            gaps.append(MeterGap(from_s, to_s, -most_coulombs if signed else 0.0, most_coulombs))
        else:
            intervals_s.append(to_s - from_s)
            differences_a.append(log.current_a[k] - log.current_a[k - 1])
            if log.voltage_v:
                power_w = [log.voltage_v[i] * log.current_a[i] for i in (k - 1, k)]
                energy_j += 0.5 * sum(power_w) * (to_s - from_s)
    return MeterCount(
        charge_coulombs=counter.charge_coulombs,
        uncertain_coulombs=counter.uncertain_coulombs,
        sampling_coulombs=missed_coulombs(intervals_s, differences_a),
        energy_j=energy_j if log.voltage_v else None,
        duration_s=log.time_s[-1] - log.time_s[0],
        samples=len(log.time_s),
        median_step_s=median_step_s,
        max_gap_s=longest_s,
        highest_current_a=highest_a,
        gaps=tuple(gaps),
    )


def _sample(log: MeterLog, k: int) -> Sample:
    return Sample(log.time_s[k], log.current_a[k], log.voltage_v[k] if log.voltage_v else 0.0)


def _refuse_reverse(log: MeterLog, highest_a: float) -> None:
    k = min(range(len(log.current_a)), key=log.current_a.__getitem__)
    if log.current_a[k] < -REVERSE_FRACTION * highest_a:
        raise RefusedError(
            "physics.log.reverse",
            field="current_a",
            current_a=log.current_a[k],
            time_s=log.time_s[k],
            share_fraction=REVERSE_FRACTION,
            largest_a=highest_a,
            limit_a=-REVERSE_FRACTION * highest_a,
        )


def read_log(lines: Iterable[str]) -> MeterLog:
    """Return the samples in the lines of a file. Raises: RefusedError."""
    reader = _Reader()
    columns = (array("d"), array("d"), array("d"))
    log = MeterLog(*columns)
    before = 0
    for number, row in reader.rows(lines):
        values = [reader.number(row, place, number) for place in reader.places]
        if log.time_s and not values[0] > log.time_s[-1]:
            raise RefusedError(
                "physics.log.not_rising",
                field="file",
                line=number,
                time_s=values[0],
                before_s=log.time_s[-1],
                before_line=before,
            )
        if len(log.time_s) >= MAX_SAMPLES:
            raise RefusedError(
                "physics.log.too_long", field="file", line=number, limit_samples=MAX_SAMPLES
            )
        for column, value in zip(columns, values, strict=False):
            column.append(value)
        before = number
    if len(log.time_s) < 2:
        raise RefusedError("physics.log.too_few", field="file", count=len(log.time_s))
    return log


@dataclass(slots=True)
class _Reader:
    """Splits lines and reads numbers. One file must write them in one way."""

    separator: str = ""
    places: list[int] = field(default_factory=list)
    width: int = 0
    decimal: str = ""
    decimal_line: int = 0

    def rows(self, lines: Iterable[str]) -> Iterator[tuple[int, list[str]]]:
        """Read the header, then yield line number and fields of each sample."""
        for number, line in enumerate(lines, start=1):
            if "\0" in line:
                raise RefusedError("physics.log.zero_byte", field="file", line=number)
            if not line.strip() or line.lstrip().startswith("#"):
                continue
            if not self.separator:
                self._take_header(line, number)
                continue
            row = self._split(line)
            if len(row) != self.width:
                key = "width_comma" if self.separator == "," else "width"
                raise RefusedError(
                    f"physics.log.{key}",
                    field="file",
                    line=number,
                    columns=len(row),
                    header_columns=self.width,
                )
            yield number, row
        if not self.separator:
            raise RefusedError("physics.log.empty", field="file")

    def number(self, row: list[str], place: int, line: int) -> float:
        """Return a field's number. Raises: RefusedError."""
        given = row[place].strip()
        marks = {mark for mark in ".," if mark in given}
        if len(marks) == 2:
            raise self._refused("both_marks", place, line, given)
        if marks:
            (mark,) = marks
            if self.decimal and mark != self.decimal:
                raise RefusedError(
                    "physics.log.other_mark",
                    field="file",
                    line=line,
                    name=self._name(place),
                    given=repr(given),
                    mark=repr(mark),
                    mark_line=self.decimal_line,
                    first_mark=repr(self.decimal),
                )
            self.decimal, self.decimal_line = mark, self.decimal_line or line
        plain = given.replace(",", ".")
        if _NUMBER.fullmatch(plain) is None:
            raise self._refused("not_a_number", place, line, given)
        value = float(plain)
        if abs(value) > _LARGEST:
            raise self._refused("too_large", place, line, given)
        return value

    def _name(self, place: int) -> str:
        return _COLUMNS[self.places.index(place)]

    def _refused(self, key: str, place: int, line: int, given: str) -> RefusedError:
        return RefusedError(
            f"physics.log.{key}",
            field="file",
            line=line,
            name=self._name(place),
            given=repr(given),
        )

    def _take_header(self, line: str, number: int) -> None:
        self.separator = next((mark for mark in "\t;," if mark in line), ",")
        names = [name.strip().lower() for name in self._split(line)]
        for name in _COLUMNS:
            if names.count(name) > 1:
                raise RefusedError(
                    "physics.log.column_twice",
                    field="file",
                    line=number,
                    name=name,
                    times=names.count(name),
                )
            if name in names:
                self.places.append(names.index(name))
            elif name != "voltage_v":
                raise RefusedError(
                    "physics.log.column_missing",
                    field="file",
                    line=number,
                    header=repr(line.strip()[:80]),
                    name=name,
                )
        self.width = len(names)

    def _split(self, line: str) -> list[str]:
        return next(csv.reader([line.rstrip("\r\n")], delimiter=self.separator))
