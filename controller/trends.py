"""Slow faults by the cell's conductance: leaks, lost stirring, films, failing contact, told from growth and warming. Pure.

A single bus reading carries the supply's ripple, so everything is judged on means of 32 conversions (2.2 s). Conductance is
current over voltage: in constant current a leak lowers the voltage, in constant voltage it raises the current, and both raise
the conductance; a supply turned up raises voltage and current together and is no leak. A change is judged against half a minute
before, its own slope taken off, and against the scatter of the run's own means. What is smaller than the limits cannot be seen.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import attrgetter
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from controller.messages import Finding, Sample, TripReason

if TYPE_CHECKING:
    from controller.config import LimitSettings

SAMPLES_PER_BLOCK = 32
"""Conversions per mean. Source: a one-shot bus reading carries the ripple, judgements of resistance use a mean of 32."""

RECENT = 3
"""Newest means whose median is judged, 6.6 s: one may be odd, or straddle something that passes."""

LEAST_REFERENCE = 5
"""Means that they are compared with at least, 11 s."""

SCATTERS = 6.0
"""A change counts from so many times the scatter of the run's own means, the median distance of one from the next: a rough
supply or bubbles raise the limit by themselves. That is 5.7 standard deviations of normal noise, of which the distance is 0.95
(computed: 0.6745 times the root of 2)."""

VOLTAGE_SHARE = 0.25
"""Share of a change by which the voltage may go along with the conductance, else somebody has turned the supply."""

AREA_PER_STEP = (2.0, 4.0)
"""More bare metal for a step of the conductance: the solution's resistance goes by the root of the area, and part of the voltage
hardly hangs on it. Source: the rehearsal's cell, 2.1 to 4.0 in eight of ten benches drawn for the campaign."""

KEPT_S = 200.0
"""How long means are kept, s: the rules look back 180 s at most."""

STEP_S = (30.0, 45.0)
SLOPE_S = (90.0, 105.0)
RISE_S = (60.0, 75.0)
OWN_S = (60.0, 120.0)
"""Ages of the means that the newest are compared with, s: for a step, for the slope before it, for a rise of the resistance, for
the run's own voltage."""

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
    drifting_since_s: float | None = None
    rising_since_s: float | None = None
    warnings: tuple[str, ...] = ()


class Change(NamedTuple):
    """How ln(conductance) of the newest means differs from that of earlier ones.

    :param ln: 0 without enough means to compare with, or when the supply was turned.
    :param scatter_ln: median distance of a mean from the next before.
    """

    ln: float
    scatter_ln: float

    def limit_ln(self, fraction: float) -> float:
        """Return from where it counts: the setting, or more when the means scatter."""
        return max(math.log1p(fraction), SCATTERS * self.scatter_ln)


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
    newest, from_s = trend.blocks[-1], trend.began_at_s + limits.trend_blind_s
    if newest.at_s < from_s:
        return trend, None
    scatter_ln = _scatter_ln(_aged(trend.blocks, from_s, (STEP_S[0], KEPT_S)))
    step = _without_slope(trend.blocks, from_s, _change(trend.blocks, from_s, STEP_S, scatter_ln))
    drifting_since_s = _since(trend.drifting_since_s, _drift(trend, limits) > math.log1p(limits.leak_drift_fraction), newest.at_s)
    changes = (step, _change(trend.blocks, from_s, RISE_S, scatter_ln))
    over = _over_median(trend.blocks, trend.began_at_s + limits.contact_grace_s)
    rising_since_s = _since(trend.rising_since_s, over > limits.voltage_warn_fraction, newest.at_s)
    warnings = []
    if drifting_since_s is not None and newest.at_s - drifting_since_s >= limits.trend_patience_s:
        warnings.append("The cell conducts better than growth and warming explain: look for lifted resist, tape or a bridge.")
    if any(-change.ln > change.limit_ln(limits.resistance_rise_fraction) for change in changes):
        warnings.append("The resistance has risen: look at the stirring, a film on the plate, and the contact of every piece.")
    if rising_since_s is not None and newest.at_s - rising_since_s >= limits.trend_patience_s:
        warnings.append("The cell voltage stands well above its own mean: look at contact, bath level and film.")
    trend = replace(trend, drifting_since_s=drifting_since_s, rising_since_s=rising_since_s, warnings=tuple(warnings))
    limit_ln = step.limit_ln(limits.leak_step_fraction)
    percent, limit_percent = 100.0 * math.expm1(abs(step.ln)), 100.0 * math.expm1(limit_ln)
    if step.ln > limit_ln:
        more = f"{AREA_PER_STEP[0] * percent:.0f} to {AREA_PER_STEP[1] * percent:.0f} % more bare metal"
        detail = f"the conductance has jumped up, as with {more} or a bridge"
        return trend, Finding(TripReason.RESIST_LEAK, percent, limit_percent, "%", detail)
    if step.ln < -limit_ln and trend.pieces > 1:
        detail = "the resistance has jumped up, one piece of several may have lost contact"
        return trend, Finding(TripReason.LOST_CONTACT, percent, limit_percent, "%", detail)
    if over > limits.voltage_trip_fraction:
        mean_v = newest.voltage_v / (1.0 + over)
        limit_v = mean_v * (1.0 + limits.voltage_trip_fraction)
        detail = "the cell voltage has left the run's own mean"
        return trend, Finding(TripReason.OVER_VOLTAGE, newest.voltage_v, limit_v, "V", detail)
    return trend, None


_AT_S = attrgetter("at_s")


def _aged(blocks: tuple[Block, ...], from_s: float, ages_s: tuple[float, float]) -> tuple[Block, ...]:
    """Return the means of an age, none from before ``from_s``."""
    now_s = blocks[-1].at_s
    first = bisect_left(blocks, max(from_s, now_s - ages_s[1]), key=_AT_S)
    return blocks[first : bisect_right(blocks, now_s - ages_s[0], key=_AT_S)]


def _middle_ln(blocks: Sequence[Block]) -> float:
    return median(block.ln_conductance for block in blocks)


def _scatter_ln(blocks: Sequence[Block]) -> float:
    """Return the median distance of a mean from the next, 0 for fewer than two."""
    distances = [abs(after.ln_conductance - before.ln_conductance) for before, after in pairwise(blocks)]
    return median(distances) if distances else 0.0


def _change(blocks: tuple[Block, ...], from_s: float, ages_s: tuple[float, float], scatter_ln: float) -> Change:
    """Return the change of the newest means against those of an age."""
    before, recent = _aged(blocks, from_s, ages_s), blocks[-RECENT:]
    if len(before) < LEAST_REFERENCE:
        return Change(0.0, scatter_ln)
    ln = _middle_ln(recent) - _middle_ln(before)
    along_ln = math.log(median(b.voltage_v for b in recent) / median(b.voltage_v for b in before))
    is_supply = math.copysign(along_ln, along_ln * ln) > VOLTAGE_SHARE * abs(ln)
    return Change(0.0 if is_supply else ln, scatter_ln)


def _without_slope(blocks: tuple[Block, ...], from_s: float, step: Change) -> Change:
    """Return a step less what the slope before it explains: that of the minute before or, until there is one, of the reference
    itself. So a cell that settles, ever more slowly, is no step.
    """
    after, before = _aged(blocks, from_s, STEP_S), _aged(blocks, from_s, SLOPE_S)
    if len(after) < LEAST_REFERENCE:
        return step
    if len(before) < LEAST_REFERENCE:
        half = len(after) // 2
        before, after = after[:half], after[-half:]
    slope_per_s = (_middle_ln(after) - _middle_ln(before)) / (after[0].at_s - before[0].at_s)
    explained_ln = slope_per_s * (blocks[-1].at_s - after[len(after) // 2].at_s)
    if step.ln > 0.0:
        return step._replace(ln=max(0.0, step.ln - max(0.0, explained_ln)))
    return step._replace(ln=min(0.0, step.ln - min(0.0, explained_ln)))


def _drift(trend: Trend, limits: LimitSettings) -> float:
    """Return how far ln(conductance) lies above the first look after the blind time, growth and warming taken off.

    The first means still in the window stand for it once it has passed out of it: a drift slower than the window is taken for
    growth.
    """
    first = _aged(trend.blocks, trend.began_at_s + limits.trend_blind_s, (0.0, KEPT_S))[:LEAST_REFERENCE]
    newest = trend.blocks[-1]
    reference = median(block.ln_conductance - block.expected_ln for block in first)
    return newest.ln_conductance - newest.expected_ln - reference


def _over_median(blocks: tuple[Block, ...], from_s: float) -> float:
    """Return the newest voltage over the median of 60 to 120 s ago, less 1. Before from_s the supply is still being turned up."""
    before = _aged(blocks, from_s, OWN_S)
    return blocks[-1].voltage_v / median(block.voltage_v for block in before) - 1.0 if before else 0.0


def _since(before_s: float | None, broken: bool, now_s: float) -> float | None:
    return (now_s if before_s is None else before_s) if broken else None
