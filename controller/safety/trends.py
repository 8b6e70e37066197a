"""Finds slow faults from the cell's conductance: leaks, films, lost stirring, failing contact.

Pure. Growth of the open area and warming also change the conductance. Their share is subtracted
before a change is judged.

A single bus reading carries the supply's ripple, so the rules judge means of 32 conversions
(2.2 s). Conductance is current over voltage. A leak lowers the voltage in constant current and
raises the current in constant voltage: either way the conductance rises. Turning up the supply
raises voltage and current together, and is not a leak.

conductance.py measures each change; the rules here decide what it means. A film that disappears
and stirring that returns are not a leak. Changes below the limits go unnoticed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

from controller.messages import Finding, Sample, TripReason
from controller.safety.conductance import (
    LEAST_REFERENCE,
    OWN_S,
    RECENT,
    RISE_S,
    STEP_S,
    Block,
    aged,
    beyond_earlier,
    change_since,
    is_supply,
    middle_ln,
    scatter_of_ln,
    without_slope,
)
from controller.texts import Message

if TYPE_CHECKING:
    from controller.config import LimitSettings

SAMPLES_PER_BLOCK = 32
"""Conversions per mean: a one-shot bus reading carries the ripple, a mean of 32 does not."""

MAX_STATED_AREA_PERCENT = 200.0
"""Largest growth of bare metal that a leak's message states, %. More suggests a metal bridge."""

AREA_PER_STEP = (2.0, 4.0)
"""Growth of the bare metal over the step of the conductance, least and most.

The solution's resistance follows the root of the area, and part of the voltage hardly depends on
it. Source: the rehearsal's cell, 2.1 to 4.0 in eight of ten rigs drawn for the campaign.
"""

KEPT_S = 200.0
"""How long means are kept, s. The rules look back 180 s at most."""

CONDUCTIVITY_PER_K = 0.0133
"""Rise of the bath's conductivity per K.

Source: Landolt-Boernstein, 1.017 mol/L nitric acid, cited in a maker's manual.
"""


@dataclass(frozen=True, slots=True)
class Trend:
    """What the rules remember in a stretch.

    :param began_at_s: when the relay turned on.
    :param pieces: with several in constant current, one that loses contact lets the others etch
        too deep.
    :param warnings: what warns now.
    """

    began_at_s: float
    pieces: int = 1
    blocks: tuple[Block, ...] = ()
    count: int = 0
    current_sum_a: float = 0.0
    voltage_sum_v: float = 0.0
    drifting_since_s: float | None = None
    rising_since_s: float | None = None
    warnings: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected to change the conductance.

    :param growth_fraction: open area now over that at the start of the stretch.
    :param warming_k: warming of the bath in the stretch, or None without a thermometer. None
        counts as 0.
    """

    growth_fraction: float
    warming_k: float | None


def follow(
    trend: Trend, sample: Sample, expect: Callable[[], Expected], limits: LimitSettings
) -> tuple[Trend, Finding | None]:
    """Return the trend with a sample in it, and a finding when a rule is broken.

    Only averaged samples count.

    :param expect: returns what is expected to have changed the conductance; called once a block.
    """
    if not sample.averaged:
        return trend, None
    current_a, voltage_v = (
        trend.current_sum_a + sample.current_a,
        trend.voltage_sum_v + sample.voltage_v,
    )
    if trend.count + 1 < SAMPLES_PER_BLOCK:
        return replace(
            trend, count=trend.count + 1, current_sum_a=current_a, voltage_sum_v=voltage_v
        ), None
    fresh = replace(trend, count=0, current_sum_a=0.0, voltage_sum_v=0.0)
    if current_a <= 0.0 or voltage_v <= 0.0:
        return fresh, None
    expected = expect()
    expected_ln = math.log(expected.growth_fraction) + CONDUCTIVITY_PER_K * (
        expected.warming_k or 0.0
    )
    block = Block(
        sample.taken_at_s,
        voltage_v / SAMPLES_PER_BLOCK,
        math.log(current_a / voltage_v),
        expected_ln,
    )
    kept = tuple(b for b in trend.blocks if b.at_s >= block.at_s - KEPT_S)
    return _judge(replace(fresh, blocks=(*kept, block)), limits)


def bath_warnings(
    bath_degc: float | None, silent_s: float | None, limits: LimitSettings
) -> tuple[Message, ...]:
    """Return a warning when the bath is warm or its thermometer silent. Empty without one.

    :param silent_s: time without a reading, s, or None without a thermometer.
    """
    if silent_s is not None and silent_s >= limits.bath_silent_warn_s:
        return (
            Message("guards.warning.thermometer_silent", {"pause_s": limits.bath_silent_pause_s}),
        )
    if bath_degc is None or bath_degc < limits.bath_warn_degc:
        return ()
    values = {"warn_degc": limits.bath_warn_degc, "off_degc": limits.bath_off_degc}
    return (Message("guards.warning.bath_warm", values),)


def _judge(trend: Trend, limits: LimitSettings) -> tuple[Trend, Finding | None]:
    newest, from_s = trend.blocks[-1], trend.began_at_s + limits.trend_blind_s
    if newest.at_s < from_s:
        return trend, None
    older_ln = [block.ln_conductance for block in aged(trend.blocks, from_s, (STEP_S[0], KEPT_S))]
    scatter_ln = scatter_of_ln(older_ln)
    step = without_slope(
        trend.blocks, from_s, change_since(trend.blocks, from_s, STEP_S, scatter_ln)
    )
    drifting_since_s = _since(
        trend.drifting_since_s,
        _drift(trend, limits) > math.log1p(limits.leak_drift_fraction),
        newest.at_s,
    )
    changes = (step, change_since(trend.blocks, from_s, RISE_S, scatter_ln))
    over = _over_median(trend.blocks, trend.began_at_s + limits.contact_grace_s)
    rising_since_s = _since(trend.rising_since_s, over > limits.voltage_warn_fraction, newest.at_s)
    warnings = []
    if drifting_since_s is not None and newest.at_s - drifting_since_s >= limits.trend_patience_s:
        warnings.append(Message("guards.warning.drift"))
    if any(-change.ln > change.limit_ln(limits.resistance_rise_fraction) for change in changes):
        warnings.append(Message("guards.warning.resistance"))
    if rising_since_s is not None and newest.at_s - rising_since_s >= limits.trend_patience_s:
        warnings.append(Message("guards.warning.voltage"))
    trend = replace(
        trend,
        drifting_since_s=drifting_since_s,
        rising_since_s=rising_since_s,
        warnings=tuple(warnings),
    )
    jump = beyond_earlier(older_ln, middle_ln(trend.blocks[-RECENT:]), step)
    limit_ln = jump.limit_ln(limits.leak_step_fraction)
    if jump.ln > limit_ln:
        return trend, _leak(100.0 * math.expm1(jump.ln), 100.0 * math.expm1(limit_ln))
    if jump.ln < -limit_ln and trend.pieces > 1:
        percent, limit_percent = 100.0 * math.expm1(-jump.ln), 100.0 * math.expm1(limit_ln)
        return trend, Finding(TripReason.LOST_CONTACT, percent, limit_percent, "%", "one_piece")
    if over > limits.voltage_trip_fraction:
        mean_v = newest.voltage_v / (1.0 + over)
        limit_v = mean_v * (1.0 + limits.voltage_trip_fraction)
        return trend, Finding(TripReason.OVER_VOLTAGE, newest.voltage_v, limit_v, "V", "risen")
    return trend, None


def _leak(percent: float, limit_percent: float) -> Finding:
    least, most = (share * percent for share in AREA_PER_STEP)
    cause = Message("guards.resist_leak.much_area")
    if most <= MAX_STATED_AREA_PERCENT:
        area = {"least_percent": least, "most_percent": most}
        cause = Message("guards.resist_leak.some_area", area)
    return Finding(TripReason.RESIST_LEAK, percent, limit_percent, "%", cause=cause)


def _drift(trend: Trend, limits: LimitSettings) -> float:
    """Return how far ln(conductance) has risen since the blind time, less growth and warming.

    The reference is the first means after the blind time or, once these are too old, the oldest
    that are kept. So a drift slower than that window counts as growth.
    """
    first = aged(trend.blocks, trend.began_at_s + limits.trend_blind_s, (0.0, KEPT_S))[
        :LEAST_REFERENCE
    ]
    newest = trend.blocks[-1]
    reference = median(block.ln_conductance - block.expected_ln for block in first)
    drift_ln = newest.ln_conductance - newest.expected_ln - reference
    return 0.0 if is_supply(first, (newest,), drift_ln) else drift_ln


def _over_median(blocks: tuple[Block, ...], from_s: float) -> float:
    """Return the newest voltage over the median of 60 to 120 s ago, less 1.

    Before ``from_s`` the supply may still be being turned up.
    """
    before = aged(blocks, from_s, OWN_S)
    return (
        blocks[-1].voltage_v / median(block.voltage_v for block in before) - 1.0 if before else 0.0
    )


def _since(before_s: float | None, broken: bool, now_s: float) -> float | None:
    return (now_s if before_s is None else before_s) if broken else None
