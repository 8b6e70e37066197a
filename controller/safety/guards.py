"""Applies the rules to a sample: (limits, streaks, sample) -> (streaks, finding or None). Pure.

The rules and their order are in limits.py. A streak holds what a rule must remember. A quick second
look can complete a streak but never end one: it carries the supply's ripple, so only an averaged
sample clears a rule. For the same reason, a sample over the current limit is confirmed by a
neighbour that is near the limit or on the way to it.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.messages import Finding, Sample, TripReason
from controller.safety.limits import RULES, Confirm, Limits, Rule, RunFigures

STREAK = 2
"""This many samples over a limit trip: one may be a bus glitch. Common practice, no source."""

NEAR_FRACTION = 0.9
"""Share of the current limit from which a sample confirms a neighbour over it.

A quick look carries a sixth of the ripple, 8 % at the worst ripple of 48 %. Without this share, a
current just over the limit took four conversions to trip (tests/proofs/campaign/__main__.py).
"""

LEAP_FRACTION = 0.5
"""Share of the way from the last averaged sample to a limit from which a fault may have begun.

An averaged sample that straddles the beginning shows only a part of it.
"""


@dataclass(frozen=True, slots=True)
class Streak:
    """What one rule remembers between samples.

    :param count: samples in a row that break the limit, or confirm that it is broken.
    :param since_s: monotonic time since which the limit has been broken, or None.
    :param over_a: largest current over the limit in this streak, or None.
    """

    count: int = 0
    since_s: float | None = None
    over_a: float | None = None


NOTHING = Streak()
"""The streak of a rule that is not broken."""


@dataclass(frozen=True, slots=True)
class Streaks:
    """What the rules remember between samples.

    :param rows: one for each rule, in the order of ``RULES``.
    :param last_a: current of the last averaged sample, or None before the first.
    """

    rows: tuple[Streak, ...] = (NOTHING,) * len(RULES)
    last_a: float | None = None

    def broken(self) -> tuple[bool, ...]:
        """Return, rule by rule, whether its limit is broken and a second sample would confirm."""
        return tuple(
            row.over_a is not None or (rule.confirm is Confirm.TWO_SAMPLES and row.count > 0)
            for rule, row in zip(RULES, self.rows, strict=True)
        )


def judge(
    limits: Limits, streaks: Streaks, sample: Sample, run: RunFigures
) -> tuple[Streaks, Finding | None]:
    """Return the new streaks and the first finding, or None.

    :param sample: finite, without its zero offset.
    """
    if sample.saturated:
        return streaks, Finding(TripReason.SENSOR_SATURATED, sample.current_a, None, "A")
    rows = tuple(
        _advance(rule, limits, streaks.last_a, row, sample, run)
        for rule, row in zip(RULES, streaks.rows, strict=True)
    )
    after = Streaks(rows, sample.current_a if sample.averaged else streaks.last_a)
    for rule, row in zip(RULES, rows, strict=True):
        if row is not NOTHING and _is_confirmed(rule, limits, row, sample):
            value = rule.value(sample, run) if row.over_a is None else row.over_a
            return after, Finding(rule.reason, value, rule.limit(limits), rule.unit, rule.case)
    return after, None


def calls_for_look(limits: Limits, before: Streaks, after: Streaks, sample: Sample) -> bool:
    """Return whether a quick second look is worth while.

    It is when a limit is broken that was not before: one look for each limit between two full
    samples. It is also when an averaged sample is over half the way from the last one to reverse
    current: it may straddle the beginning of a fault, and the next one takes a whole conversion.
    """
    if after.rows != before.rows and any(
        now and not was for now, was in zip(after.broken(), before.broken(), strict=True)
    ):
        return True
    if before.last_a is None or not sample.averaged:
        return False
    return sample.current_a < LEAP_FRACTION * (before.last_a - limits.reverse_current_a)


def _advance(
    rule: Rule, limits: Limits, last_a: float | None, row: Streak, sample: Sample, run: RunFigures
) -> Streak:
    """Return one rule's streak with this sample in it."""
    is_early = rule.has_grace and run.stretch_s < limits.contact_grace_s
    if rule.confirm is Confirm.LASTING and is_early:
        return NOTHING
    value, limit = rule.value(sample, run), rule.limit(limits)
    if value is None or limit is None:
        if rule.is_optional:
            return NOTHING
        raise TypeError(f"{rule.reason.value}: {value} compared with {limit}")
    is_broken = rule.is_broken(value, limit) and rule.applies(limits, sample)
    kept = NOTHING if sample.averaged or rule.confirm is Confirm.AT_ONCE else row
    if rule.confirm is Confirm.NEIGHBOUR:
        if not _is_near(value, limit, last_a, sample):
            return kept
        over_a = max(value, row.over_a or value) if is_broken else row.over_a
        return Streak(row.count + 1, None, over_a)
    if not is_broken:
        return kept
    return Streak(row.count + 1, sample.taken_at_s if row.since_s is None else row.since_s)


def _is_near(current_a: float, limit_a: float, last_a: float | None, sample: Sample) -> bool:
    """Return whether a current is near its limit, or leaps towards it from the last sample."""
    if current_a >= NEAR_FRACTION * limit_a:
        return True
    if last_a is None or not sample.averaged:
        return False
    return current_a > last_a + LEAP_FRACTION * (limit_a - last_a)


def _is_confirmed(rule: Rule, limits: Limits, row: Streak, sample: Sample) -> bool:
    """Return whether a streak that remembers something is long enough."""
    if rule.confirm is Confirm.LASTING:
        return row.since_s is not None and sample.taken_at_s - row.since_s >= rule.lasts_s(limits)
    if rule.confirm is Confirm.NEIGHBOUR:
        return row.over_a is not None and row.count >= STREAK
    return rule.confirm is Confirm.AT_ONCE or row.count >= STREAK
