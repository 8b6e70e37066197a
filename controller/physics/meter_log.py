"""The log of any other meter: lines of text to samples, samples to charge and gaps. Pure.

A header names the columns ``time_s`` and ``current_a``, and ``voltage_v`` where the meter has it; others are ignored. Columns
are separated by tabs when the header has one, else by semicolons, else by commas. A comma inside a number is a decimal comma
where columns are not separated by commas; one file keeps to one decimal sign. Empty lines and lines that begin with # do not
count. Whatever could be read in two ways is refused with its line.
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
from controller.units import positive

GAP_STEPS = 2.5
"""Longer than this many median steps is a gap: one missing sample still passes, two do not."""

REVERSE_FRACTION = 0.01
"""Share of the largest current that may flow backwards and count as noise (of the order of a meter's zero error)."""

MAX_SAMPLES = 20_000_000
"""A run of eleven days at 20 samples per second: longer is another log."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COLUMNS = ("time_s", "current_a", "voltage_v")


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
    """A time without samples, and bounds of its charge: the largest current of the log all the time, and none, or backwards."""

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
    :param uncertain_coulombs: up to this much more may have flowed in the gaps, and as much backwards in a signed count.
    :param energy_j: counted likewise, or None without a voltage.
    :param max_gap_s: longest time between two samples that was counted.
    """

    charge_coulombs: float
    uncertain_coulombs: float
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
    """Return charge, energy and gaps of a log, by the trapezoid over its own time stamps.

    :param max_gap_s: longest time between two samples that is counted, or None for GAP_STEPS times the median.
    :param signed: current backwards counts as negative charge instead of being refused (a log of plating and stripping).
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
    for k in range(1, len(log.time_s)):
        from_s, to_s = log.time_s[k - 1], log.time_s[k]
        try:
            counter.add(_sample(log, k))
        except ChargeGapError:
            most_coulombs = (to_s - from_s) * highest_a
            gaps.append(MeterGap(from_s, to_s, -most_coulombs if signed else 0.0, most_coulombs))
        else:
            if log.voltage_v:
                power_w = [log.voltage_v[i] * log.current_a[i] for i in (k - 1, k)]
                energy_j += 0.5 * sum(power_w) * (to_s - from_s)
    return MeterCount(
        charge_coulombs=counter.charge_coulombs,
        uncertain_coulombs=counter.uncertain_coulombs,
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
            f"current_a is {log.current_a[k]:g} A at {log.time_s[k]:g} s, backwards by more than {REVERSE_FRACTION:.0%} of the "
            f"largest, {highest_a:g} A: the meter's leads may be swapped; turn the sign, or count with signs",
            field="current_a",
            limit=f"{-REVERSE_FRACTION * highest_a:g} A",
        )


def read_log(lines: Iterable[str]) -> MeterLog:
    """Return the samples in the lines of a file. Raises: RefusedError naming line, value and what to do."""
    reader = _Reader()
    columns = (array("d"), array("d"), array("d"))
    log = MeterLog(*columns)
    before = 0
    for number, row in reader.rows(lines):
        values = [reader.number(row, place, number) for place in reader.places]
        if log.time_s and not values[0] > log.time_s[-1]:
            raise _refused(
                number,
                f"time_s {values[0]:g} does not come after {log.time_s[-1]:g} in line {before}",
                "sort and clean the log",
            )
        if len(log.time_s) >= MAX_SAMPLES:
            raise _refused(number, f"more than {MAX_SAMPLES} samples", "split the log")
        for column, value in zip(columns, values, strict=False):
            column.append(value)
        before = number
    if len(log.time_s) < 2:
        raise RefusedError(
            f"the log has {len(log.time_s)} sample(s), charge needs 2 or more",
            field="file",
            limit="2",
        )
    return log


@dataclass(slots=True)
class _Reader:
    """Splits lines and reads numbers, and holds the file to one way of writing them."""

    separator: str = ""
    places: list[int] = field(default_factory=list)
    width: int = 0
    decimal: str = ""
    decimal_line: int = 0

    def rows(self, lines: Iterable[str]) -> Iterator[tuple[int, list[str]]]:
        """Yield line number and fields of each sample, the header taken in."""
        for number, line in enumerate(lines, start=1):
            if "\0" in line:
                raise _refused(
                    number, "there is a zero byte, this is no text", "export the log as CSV"
                )
            if not line.strip() or line.lstrip().startswith("#"):
                continue
            if not self.separator:
                self._take_header(line, number)
                continue
            row = self._split(line)
            if len(row) != self.width:
                hint = (
                    "decimal commas need semicolons or tabs between the columns"
                    if self.separator == ","
                    else "mend the line"
                )
                raise _refused(number, f"{len(row)} columns, the header has {self.width}", hint)
            yield number, row
        if not self.separator:
            raise RefusedError(
                "the log is empty: a header with time_s and current_a comes first", field="file"
            )

    def number(self, row: list[str], place: int, line: int) -> float:
        """Return a field's number. Raises: RefusedError."""
        text = row[place].strip()
        name = _COLUMNS[self.places.index(place)]
        marks = {mark for mark in ".," if mark in text}
        if len(marks) == 2:
            raise _refused(
                line,
                f"{name} is {text!r} with point and comma",
                "leave out the thousands separator",
            )
        if marks:
            (mark,) = marks
            if self.decimal and mark != self.decimal:
                raise _refused(
                    line,
                    f"{name} is {text!r} with {mark!r} for the decimal sign, line {self.decimal_line} has {self.decimal!r}",
                    "use one",
                )
            self.decimal, self.decimal_line = mark, self.decimal_line or line
        plain = text.replace(",", ".")
        if _NUMBER.fullmatch(plain) is None:
            raise _refused(
                line,
                f"{name} is {text!r}, no number",
                "mend or leave out the line: a gap is told, not guessed",
            )
        value = float(plain)
        if abs(value) > 1e12:
            raise _refused(line, f"{name} is {text}, beyond 1e12", "check the units")
        return value

    def _take_header(self, line: str, number: int) -> None:
        self.separator = next((mark for mark in "\t;," if mark in line), ",")
        names = [name.strip().lower() for name in self._split(line)]
        for name in _COLUMNS:
            if names.count(name) > 1:
                raise _refused(
                    number, f"the header names {name} {names.count(name)} times", "leave one"
                )
            if name in names:
                self.places.append(names.index(name))
            elif name != "voltage_v":
                raise _refused(
                    number,
                    f"the header {line.strip()[:80]!r} has no column {name}",
                    "name the columns time_s (s) and current_a (A), and voltage_v (V) if there is one",
                )
        self.width = len(names)

    def _split(self, line: str) -> list[str]:
        return next(csv.reader([line.rstrip("\r\n")], delimiter=self.separator))


def _refused(line: int, what: str, to_do: str) -> RefusedError:
    return RefusedError(f"line {line}: {what}: {to_do}", field="file")
