"""Checks with the relay off: before it turns on, and after every off. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from controller.config import LimitSettings
from controller.messages import Finding, Sample, TripReason
from controller.texts import Message

WELDED_STREAK = 3
"""This many samples in a row with current after off mean a welded contact.

One conversion may straddle the moment of off.
"""

OFF_SAMPLES = 3
"""This many fresh samples in a row without current count as off that was seen."""

OFF_LOOK_S = 3.0
"""Longest wait for these samples, s. They come within half a second, or within one from a status,
which changes four times a second."""


@dataclass(frozen=True, slots=True)
class CheckItem:
    """One line of the rig check. ``value`` and ``limit`` are in ``unit``."""

    name: str
    passed: bool
    value: float
    limit: float
    unit: str
    note: Message


@dataclass(frozen=True, slots=True)
class CheckReport:
    """The rig check with the relay off.

    :param zero_offset_a: mean reading without current, subtracted from every later sample.
    :param finding: why the relay must stay off, or None.
    """

    items: tuple[CheckItem, ...]
    zero_offset_a: float
    finding: Finding | None

    def message(self) -> Message:
        """Return the outcome, each figure with its limit."""
        outcome = "passed" if self.finding is None else "failed"
        return Message(f"supervisor.check.{outcome}", self.figures())

    def figures(self) -> dict[str, float]:
        """Return measured values and limits, as ``zero_offset_a``, ``zero_offset_limit_a``."""
        found: dict[str, float] = {}
        for item in self.items:
            name, unit = item.name.replace(" ", "_"), item.unit.lower()
            found |= {f"{name}_{unit}": item.value, f"{name}_limit_{unit}": item.limit}
        return found


def check_rig(samples: Sequence[Sample], limits: LimitSettings, max_offset_a: float) -> CheckReport:
    """Return the report on samples taken with the relay off (at least one).

    A welded contact shows as cell voltage even without a plate, because the shunt is downstream
    of the contact. With the supply switched off or disconnected, neither check proves anything;
    the note warns of that.

    :param max_offset_a: largest zero offset of a sound sensor.
    """
    offset_a = fmean(sample.current_a for sample in samples)
    voltage_v = fmean(sample.voltage_v for sample in samples)
    max_off_a = max(limits.welded_a, 2.0 * max_offset_a)  # as OffWatch.threshold_a
    finding = None
    if any(sample.saturated for sample in samples):
        finding = Finding(TripReason.SENSOR_SATURATED, offset_a, None, "A")
    elif abs(offset_a) > max_off_a:
        finding = Finding(TripReason.RELAY_WELDED, offset_a, max_off_a, "A")
    elif voltage_v > limits.off_voltage_v:
        finding = Finding(TripReason.RELAY_WELDED, voltage_v, limits.off_voltage_v, "V", "voltage")
    elif abs(offset_a) > max_offset_a:
        finding = Finding(TripReason.ZERO_OFFSET, offset_a, max_offset_a, "A")
    return CheckReport(
        items=(
            CheckItem(
                "zero offset",
                abs(offset_a) <= max_offset_a,
                offset_a,
                max_offset_a,
                "A",
                Message("supervisor.check.zero_offset"),
            ),
            CheckItem(
                "cell voltage",
                voltage_v <= limits.off_voltage_v,
                voltage_v,
                limits.off_voltage_v,
                "V",
                Message("supervisor.check.cell_voltage"),
            ),
        ),
        zero_offset_a=offset_a,
        finding=finding,
    )


@dataclass(slots=True)
class OffWatch:
    """Watches current and cell voltage after off and whenever the relay should be off.

    :param limits: thresholds and times.
    :param max_offset_a: largest zero offset of a sound sensor.
    :param planned_a: planned current of the run, for the 1 % rule; 0 before any run.
    :param off_at_s: monotonic time of the latest off.
    """

    limits: LimitSettings
    max_offset_a: float
    planned_a: float
    off_at_s: float
    _streak: int = 0

    @property
    def threshold_a(self) -> float:
        """A larger reading means that current flows, A.

        It is the largest of 20 mA, 1 % of the planned current, and twice the offset of a sound
        sensor.
        """
        return max(self.limits.welded_a, 0.01 * self.planned_a, 2.0 * self.max_offset_a)

    def is_zero(self, sample: Sample) -> bool:
        """Return whether a sample without its zero offset shows no current."""
        return abs(sample.current_a) <= self.threshold_a

    def is_clear(self, sample: Sample) -> bool:
        """Return whether a sample shows neither current nor the supply's voltage."""
        return (
            not sample.saturated
            and self.is_zero(sample)
            and sample.voltage_v <= self.limits.off_voltage_v
        )

    def take(self, sample: Sample) -> Finding | None:
        """Return RELAY_WELDED when three samples in a row show current or voltage.

        Samples count from ``limits.welded_after_s`` after off.
        """
        limit_v = self.limits.off_voltage_v
        has_current = not self.is_zero(sample)
        if sample.taken_at_s - self.off_at_s < self.limits.welded_after_s or not (
            has_current or sample.voltage_v > limit_v
        ):
            self._streak = 0
            return None
        self._streak += 1
        if self._streak < WELDED_STREAK:
            return None
        if has_current:
            return Finding(TripReason.RELAY_WELDED, sample.current_a, self.threshold_a, "A")
        return Finding(TripReason.RELAY_WELDED, sample.voltage_v, limit_v, "V", "voltage")
