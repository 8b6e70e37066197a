"""Slow faults by the cell's conductance: leaks, lost stirring, films, failing contact, told from growth and warming. Pure.

A single bus reading carries the supply's ripple, so everything is judged on means of 32 conversions (2.2 s). Conductance is
current over voltage: in constant current a leak lowers the voltage, in constant voltage it raises the current, and both raise
the conductance. What is smaller than the limits cannot be seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

from controller.messages import Finding, Sample, TripReason

if TYPE_CHECKING:
    from controller.config import LimitSettings

SAMPLES_PER_BLOCK = 32
"""Conversions per mean. Source: a one-shot bus reading carries the ripple, judgements of resistance use a mean of 32."""

STREAK = 2
"""Means in a row beyond a step limit that count: one may straddle something that passes."""

KEPT_S = 200.0
"""How long means are kept, s: the rules look back 180 s at most."""

REFERENCE_AGE_S = 37.5
"""Age of the reference of a step, s: the middle of 30 to 45 s."""

CONDUCTIVITY_PER_K = 0.0133
"""Rise of the bath's conductivity per K. Source: Landolt-Boernstein, 1.017 mol/L nitric acid, cited in a maker's manual."""


@dataclass(frozen=True, slots=True)
class Block:
    """Means of 32 conversions.

    :param at_s: monotonic time of the last of them.
    :param ln_conductance: logarithm of current over voltage.
    :param expected_ln: what growth of the open area and measured warming add to it since the stretch began.
    """

    at_s: float
    voltage_v: float
    ln_conductance: float
    expected_ln: float


@dataclass(frozen=True, slots=True)
class Trend:
    """What the rules remember in a stretch.

    :param began_at_s: when the relay turned on.
    :param pieces: with several, one that loses contact lets the others be etched too deep in constant current.
    :param warnings: what stands now, by field: resist, resistance, voltage.
    """

    began_at_s: float
    pieces: int = 1
    blocks: tuple[Block, ...] = ()
    count: int = 0
    current_sum_a: float = 0.0
    voltage_sum_v: float = 0.0
    steps_up: int = 0
    steps_down: int = 0
    drifting_since_s: float | None = None
    rising_since_s: float | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected to change the conductance.

    :param growth_fraction: open area now over that at the start of the stretch.
    :param warming_k: warming of the bath in the stretch, or None without a thermometer: then 0 is taken.
    """

    growth_fraction: float
    warming_k: float | None


def follow(trend: Trend, sample: Sample, expect: Callable[[], Expected], limits: LimitSettings) -> tuple[Trend, Finding | None]:
    """Return the trend with a sample in it, and a finding when a rule is broken. Only averaged samples count.

    :param expect: returns what is expected to have changed the conductance; called once per block.
    """
    if not sample.averaged:
        return trend, None
    current_a, voltage_v = trend.current_sum_a + sample.current_a, trend.voltage_sum_v + sample.voltage_v
    if trend.count + 1 < SAMPLES_PER_BLOCK:
        return replace(trend, count=trend.count + 1, current_sum_a=current_a, voltage_sum_v=voltage_v), None
    fresh = replace(trend, count=0, current_sum_a=0.0, voltage_sum_v=0.0)
    if current_a <= 0.0 or voltage_v <= 0.0:
        return fresh, None
    expected = expect()
    expected_ln = math.log(expected.growth_fraction) + CONDUCTIVITY_PER_K * (expected.warming_k or 0.0)
    block = Block(sample.taken_at_s, voltage_v / SAMPLES_PER_BLOCK, math.log(current_a / voltage_v), expected_ln)
    kept = tuple(b for b in trend.blocks if b.at_s >= block.at_s - KEPT_S)
    return _judge(replace(fresh, blocks=(*kept, block)), limits)


def _judge(trend: Trend, limits: LimitSettings) -> tuple[Trend, Finding | None]:
    newest = trend.blocks[-1]
    if newest.at_s - trend.began_at_s < limits.trend_blind_s:
        return trend, None
    step = _step(trend.blocks, trend.began_at_s + limits.trend_blind_s)
    limit_ln = math.log1p(limits.leak_step_fraction)
    steps_up = trend.steps_up + 1 if step > limit_ln else 0
    steps_down = trend.steps_down + 1 if step < -limit_ln and trend.pieces > 1 else 0
    drifting_since_s = _since(trend.drifting_since_s, _drift(trend, limits) > math.log1p(limits.leak_drift_fraction), newest.at_s)
    rise = _rise(trend.blocks, trend.began_at_s + limits.trend_blind_s)
    over = _over_median(trend.blocks, trend.began_at_s + limits.contact_grace_s)
    rising_since_s = _since(trend.rising_since_s, over > limits.voltage_warn_fraction, newest.at_s)
    warnings = []
    if drifting_since_s is not None and newest.at_s - drifting_since_s >= limits.trend_patience_s:
        warnings.append("The cell conducts better than growth and warming explain: look for lifted resist, tape or a bridge.")
    if rise > math.log1p(limits.resistance_rise_fraction):
        warnings.append("The resistance has risen: look at the stirring, a film on the plate, and the contact of every piece.")
    if rising_since_s is not None and newest.at_s - rising_since_s >= limits.trend_patience_s:
        warnings.append("The cell voltage stands well above its own mean: look at contact, bath level and film.")
    trend = replace(
        trend,
        steps_up=steps_up,
        steps_down=steps_down,
        drifting_since_s=drifting_since_s,
        rising_since_s=rising_since_s,
        warnings=tuple(warnings),
    )
    limit_percent = 100.0 * limits.leak_step_fraction
    if steps_up >= STREAK:
        percent = 100.0 * math.expm1(step)
        return trend, Finding(TripReason.RESIST_LEAK, percent, limit_percent, "%", "the conductance has jumped up")
    if steps_down >= STREAK:
        detail = "the resistance has jumped up, one piece of several may have lost contact"
        return trend, Finding(TripReason.LOST_CONTACT, 100.0 * math.expm1(-step), limit_percent, "%", detail)
    if over > limits.voltage_trip_fraction:
        mean_v = newest.voltage_v / (1.0 + over)
        limit_v = mean_v * (1.0 + limits.voltage_trip_fraction)
        detail = "the cell voltage has left the run's own mean"
        return trend, Finding(TripReason.OVER_VOLTAGE, newest.voltage_v, limit_v, "V", detail)
    return trend, None


def _window(blocks: Sequence[Block], newest_s: float, oldest_s: float) -> list[Block]:
    return [block for block in blocks if oldest_s <= block.at_s <= newest_s]


def _step(blocks: Sequence[Block], from_s: float) -> float:
    """Return how far ln(conductance) lies above where it was 30 s ago, the slope of the minute before taken off."""
    now_s = blocks[-1].at_s
    before = _window(blocks, now_s - 30.0, max(from_s, now_s - 45.0))
    if not before:
        return 0.0
    reference = median(block.ln_conductance for block in before)
    earlier = _window(blocks, now_s - 90.0, max(from_s, now_s - 105.0))
    slope = 0.0
    if earlier:
        slope = max(0.0, reference - median(block.ln_conductance for block in earlier)) / 60.0
    return blocks[-1].ln_conductance - reference - slope * REFERENCE_AGE_S


def _drift(trend: Trend, limits: LimitSettings) -> float:
    """Return how far ln(conductance) lies above the first look after the blind time, growth and warming taken off.

    The first means still in the window stand for it once it has passed out of it: a drift slower than the window is taken for
    growth.
    """
    first = _window(trend.blocks, math.inf, trend.began_at_s + limits.trend_blind_s)[:5]
    newest = trend.blocks[-1]
    reference = median(block.ln_conductance - block.expected_ln for block in first)
    return newest.ln_conductance - newest.expected_ln - reference


def _rise(blocks: Sequence[Block], from_s: float) -> float:
    """Return how far ln(resistance) lies above where it was a minute ago."""
    now_s = blocks[-1].at_s
    before = _window(blocks, now_s - 60.0, max(from_s, now_s - 70.0))
    return median(block.ln_conductance for block in before) - blocks[-1].ln_conductance if before else 0.0


def _over_median(blocks: Sequence[Block], from_s: float) -> float:
    """Return the newest voltage over the median of 60 to 120 s ago, less 1. Before from_s the supply is still being turned up."""
    now_s = blocks[-1].at_s
    before = _window(blocks, now_s - 60.0, max(from_s, now_s - 120.0))
    return blocks[-1].voltage_v / median(block.voltage_v for block in before) - 1.0 if before else 0.0


def _since(before_s: float | None, broken: bool, now_s: float) -> float | None:
    return (now_s if before_s is None else before_s) if broken else None
