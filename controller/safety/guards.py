"""Every trip rule on a sample: (limits, streaks, sample) -> (streaks, finding or None). Pure, in order, first finding wins.

Limits are built once per run (run_limits.py). Streaks carry what a rule needs to remember. A quick second look can complete a
streak and never breaks one: it carries the supply's ripple, so only an averaged sample acquits. For the same reason a sample
over the current limit is borne out by one next to it that is near the limit or leaps towards it.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.messages import Finding, Sample, TripReason
from controller.safety.limits import Limits

STREAK = 2
"""Samples over a limit that trip: one may be a glitch on the bus, two are not (common practice, no source)."""

NEAR_FRACTION = 0.9
"""Share of the current limit from which a sample bears out the one over it: a quick look carries a sixth of the ripple, 8 % at
the worst ripple of 48 %. Without it a current just over the limit took four conversions (tests/proofs/campaign/__main__.py)."""

LEAP_FRACTION = 0.5
"""An averaged sample that far on the way from the last one to the current limit bears out the next one over it, too: it straddles
the beginning."""


@dataclass(frozen=True, slots=True)
class Streaks:
    """What the rules remember between samples: counts of samples in a row, and since when contact is lost or weak.

    :param over_a: largest current over the limit in the present row, A, 0 for none.
    :param near_current: samples in a row that bear out an over-current.
    :param last_a: current of the last averaged sample, A.
    """

    over_voltage: int = 0
    over_a: float = 0.0
    short_circuit: int = 0
    reverse_current: int = 0
    lost_since_s: float | None = None
    weak_since_s: float | None = None
    near_current: int = 0
    last_a: float | None = None

    def broken(self) -> tuple[bool, bool, bool, bool]:
        """Return which of the limits that a second sample makes certain are broken."""
        return (
            self.over_voltage > 0,
            self.over_a > 0.0,
            self.short_circuit > 0,
            self.reverse_current > 0,
        )


@dataclass(frozen=True, slots=True)
class RunFigures:
    """Where the run stands before this sample is counted. bath_degc is None without a thermometer."""

    on_time_s: float
    stretch_s: float
    charge_coulombs: float
    depth_mm: float
    bath_degc: float | None = None


def judge(
    limits: Limits, streaks: Streaks, sample: Sample, run: RunFigures
) -> tuple[Streaks, Finding | None]:
    """Return the new streaks and the first finding on a finite sample whose zero offset has been taken out."""
    if sample.saturated:
        detail = "the sensor is at the end of its range"
        return streaks, Finding(TripReason.SENSOR_SATURATED, sample.current_a, None, "A", detail)
    streaks = _advance(limits, streaks, sample, run)
    return streaks, _first_broken(limits, streaks, sample, run)


def _first_broken(
    limits: Limits, streaks: Streaks, sample: Sample, run: RunFigures
) -> Finding | None:
    """Return the first broken rule. Lost contact comes before over-voltage, or an open circuit would be misnamed."""
    current_a, voltage_v = sample.current_a, sample.voltage_v
    if _overdue(streaks.lost_since_s, sample, limits.lost_contact_s):
        return Finding(
            TripReason.LOST_CONTACT,
            current_a,
            limits.lost_contact_a,
            "A",
            "hardly any current flows",
        )
    if _overdue(streaks.weak_since_s, sample, limits.weak_contact_s):
        return Finding(
            TripReason.LOST_CONTACT,
            current_a,
            limits.weak_contact_a,
            "A",
            "the current is far below the plan",
        )
    if streaks.reverse_current >= STREAK:
        return Finding(
            TripReason.REVERSE_CURRENT,
            current_a,
            -limits.reverse_current_a,
            "A",
            "current flows the wrong way",
        )
    if streaks.over_voltage >= STREAK:
        return Finding(
            TripReason.OVER_VOLTAGE,
            voltage_v,
            limits.max_voltage_v,
            "V",
            "the cell voltage is too high",
        )
    if streaks.short_circuit >= STREAK:
        return Finding(
            TripReason.SHORT_CIRCUIT,
            voltage_v,
            limits.short_circuit_v,
            "V",
            "current flows at almost no voltage",
        )
    if streaks.over_a > 0.0 and streaks.near_current >= STREAK:
        return Finding(
            TripReason.OVER_CURRENT,
            streaks.over_a,
            limits.max_current_a,
            "A",
            "the current is too high",
        )
    if run.on_time_s >= limits.max_on_time_s:
        return Finding(
            TripReason.OVER_TIME,
            run.on_time_s,
            limits.max_on_time_s,
            "s",
            "the relay has been on for too long",
        )
    if run.charge_coulombs >= limits.max_charge_coulombs:
        return Finding(
            TripReason.OVER_CHARGE,
            run.charge_coulombs,
            limits.max_charge_coulombs,
            "C",
            "too much charge has flowed",
        )
    if limits.max_mean_depth_mm is not None and run.depth_mm >= limits.max_mean_depth_mm:
        return Finding(
            TripReason.DEPTH_LIMIT,
            run.depth_mm,
            limits.max_mean_depth_mm,
            "mm",
            "too deep for this sheet",
        )
    if run.bath_degc is not None and run.bath_degc >= limits.bath_off_degc:
        return Finding(
            TripReason.BATH_HOT, run.bath_degc, limits.bath_off_degc, "degC", "the bath is too hot"
        )
    return None


def _advance(limits: Limits, streaks: Streaks, sample: Sample, run: RunFigures) -> Streaks:
    """Return the streaks with this sample in them."""
    current_a, voltage_v = sample.current_a, sample.voltage_v
    judged = run.stretch_s >= limits.contact_grace_s

    def count(before: int, broken: bool) -> int:
        return before + 1 if broken else 0 if sample.averaged else before

    is_near = current_a >= NEAR_FRACTION * limits.max_current_a or _leaps(
        limits, streaks.last_a, sample
    )
    over_before_a = streaks.over_a if is_near or not sample.averaged else 0.0

    def since(before_s: float | None, broken: bool) -> float | None:
        kept_s = sample.taken_at_s if broken and before_s is None else before_s
        return kept_s if judged and (broken or not sample.averaged) else None

    return Streaks(
        # An open circuit shows the supply's full voltage and harms nothing: that is lost contact, not over-voltage.
        over_voltage=count(
            streaks.over_voltage,
            voltage_v > limits.max_voltage_v and current_a >= limits.lost_contact_a,
        ),
        over_a=max(over_before_a, current_a) if current_a > limits.max_current_a else over_before_a,
        near_current=count(streaks.near_current, is_near),
        last_a=current_a if sample.averaged else streaks.last_a,
        short_circuit=count(
            streaks.short_circuit,
            voltage_v < limits.short_circuit_v and current_a >= limits.short_circuit_a,
        ),
        reverse_current=count(streaks.reverse_current, current_a < -limits.reverse_current_a),
        lost_since_s=since(streaks.lost_since_s, current_a < limits.lost_contact_a),
        weak_since_s=since(streaks.weak_since_s, current_a < limits.weak_contact_a),
    )


def calls_for_look(limits: Limits, before: Streaks, after: Streaks, sample: Sample) -> bool:
    """Return whether a sample is worth a quick second look: at most one for each limit between two full samples.

    A limit is broken that was not before; or an averaged sample lies over half the way from the last one to reverse current:
    it may straddle the beginning of a fault, and the next one comes a whole conversion later.
    """
    if any(now and not was for now, was in zip(after.broken(), before.broken(), strict=True)):
        return True
    if before.last_a is None or not sample.averaged:
        return False
    return sample.current_a < LEAP_FRACTION * (before.last_a - limits.reverse_current_a)


def _leaps(limits: Limits, last_a: float | None, sample: Sample) -> bool:
    """Return whether an averaged sample lies over half the way from the last one to the current limit."""
    if last_a is None or not sample.averaged:
        return False
    return sample.current_a > last_a + LEAP_FRACTION * (limits.max_current_a - last_a)


def _overdue(since_s: float | None, sample: Sample, after_s: float) -> bool:
    return since_s is not None and sample.taken_at_s - since_s >= after_s
