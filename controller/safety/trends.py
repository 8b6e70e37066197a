"""Finds slow faults from the cell's conductance: leaks, films, lost stirring, failing contact.

Pure. Growth of the open area and warming change the conductance too; what they explain is taken off.

A single bus reading carries the supply's ripple, so everything is judged on means of 32
conversions (2.2 s). Conductance is current over voltage. In constant current a leak lowers the
voltage, in constant voltage it raises the current, and both raise the conductance. A supply that
is turned up raises voltage and current together: no leak.

A change is compared with half a minute before, its own slope taken off, with the scatter of the
run's own means, and with all that the run has shown before. A film that goes and stirring that
comes back are no leak. Changes smaller than the limits cannot be seen.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from controller.messages import Finding, Sample, TripReason
from controller.texts import Message

if TYPE_CHECKING:
    from controller.config import LimitSettings

SAMPLES_PER_BLOCK = 32
"""Conversions per mean: a one-shot bus reading carries the ripple, a mean of 32 does not."""

RECENT = 3
"""Newest means whose median is judged, 6.6 s. One may be odd, or straddle a passing event."""

LEAST_REFERENCE = 5
"""Fewest means to compare them with, 11 s."""

SCATTERS = 6.0
"""A change counts from this many times the scatter of the run's own means.

Scatter is the median distance of one mean from another. So a rough supply, bubbles or a swaying
plate raise the limit by themselves. Six times is 5.7 standard deviations of normal noise, of
which the distance is 0.95 (computed: 0.6745 times the root of 2).
"""

SCATTER_MEANS = (1, 6)
"""Distances at which scatter is measured, in means: 2.2 and 13 s.

A slow wobble hardly moves from one mean to the next.
"""

MAX_STATED_AREA_PERCENT = 200.0
"""Largest growth of bare metal that a leak's message states. More is rather a metal bridge."""

VOLTAGE_SHARE = 0.25
"""Share of a change by which the voltage may follow the conductance.

If it follows more, somebody has turned the supply.
"""

AREA_PER_STEP = (2.0, 4.0)
"""Growth of the bare metal over the step of the conductance, least and most.

The solution's resistance follows the root of the area, and part of the voltage hardly depends on
it. Source: the rehearsal's cell, 2.1 to 4.0 in eight of ten rigs drawn for the campaign.
"""

KEPT_S = 200.0
"""How long means are kept, s. The rules look back 180 s at most."""

STEP_S = (30.0, 45.0)
SLOPE_S = (90.0, 105.0)
RISE_S = (60.0, 75.0)
OWN_S = (60.0, 120.0)
"""Ages of the means that the newest are compared with, s.

For a step, for the slope before it, for a rise of the resistance, for the run's own voltage.
"""

CONDUCTIVITY_PER_K = 0.0133
"""Rise of the bath's conductivity per K.

Source: Landolt-Boernstein, 1.017 mol/L nitric acid, cited in a maker's manual.
"""


@dataclass(frozen=True, slots=True)
class Block:
    """Means of 32 conversions.

    :param at_s: monotonic time of the last of them.
    :param ln_conductance: logarithm of current over voltage.
    :param expected_ln: what growth of the open area and measured warming have added to it since
        the stretch began.
    """

    at_s: float
    voltage_v: float
    ln_conductance: float
    expected_ln: float


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


class Change(NamedTuple):
    """How ln(conductance) of the newest means differs from that of earlier ones.

    :param ln: 0 without enough means to compare with, and when the supply was turned.
    :param scatter_ln: largest median distance of a mean from an earlier one.
    """

    ln: float
    scatter_ln: float

    def limit_ln(self, fraction: float) -> float:
        """Return the smallest change that counts: the setting, or more when the means scatter."""
        return max(math.log1p(fraction), SCATTERS * self.scatter_ln)


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


def _judge(trend: Trend, limits: LimitSettings) -> tuple[Trend, Finding | None]:
    newest, from_s = trend.blocks[-1], trend.began_at_s + limits.trend_blind_s
    if newest.at_s < from_s:
        return trend, None
    older_ln = [block.ln_conductance for block in _aged(trend.blocks, from_s, (STEP_S[0], KEPT_S))]
    scatter_ln = _scatter_ln(older_ln)
    step = _without_slope(trend.blocks, from_s, _change(trend.blocks, from_s, STEP_S, scatter_ln))
    drifting_since_s = _since(
        trend.drifting_since_s,
        _drift(trend, limits) > math.log1p(limits.leak_drift_fraction),
        newest.at_s,
    )
    changes = (step, _change(trend.blocks, from_s, RISE_S, scatter_ln))
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
    jump = _as_never_before(older_ln, _middle_ln(trend.blocks[-RECENT:]), step)
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


_AT_S = attrgetter("at_s")


def _aged(
    blocks: tuple[Block, ...], from_s: float, ages_s: tuple[float, float]
) -> tuple[Block, ...]:
    """Return the means of an age, none from before ``from_s``."""
    now_s = blocks[-1].at_s
    first = bisect_left(blocks, max(from_s, now_s - ages_s[1]), key=_AT_S)
    return blocks[first : bisect_right(blocks, now_s - ages_s[0], key=_AT_S)]


def _middle_ln(blocks: Sequence[Block]) -> float:
    return median(block.ln_conductance for block in blocks)


def _scatter_ln(lns: Sequence[float]) -> float:
    """Return the largest median distance of a mean from a later one; 0 for a single mean.

    From distances beyond the next mean, the median move is taken off.
    """
    largest_ln = 0.0
    for means in SCATTER_MEANS:
        moves = [after - before for before, after in zip(lns, lns[means:], strict=False)]
        if moves:
            moved_ln = 0.0 if means == 1 else median(moves)
            largest_ln = max(largest_ln, median(abs(move - moved_ln) for move in moves))
    return largest_ln


def _is_supply(before: Sequence[Block], after: Sequence[Block], ln: float) -> bool:
    """Return whether the voltage has followed a change of ln(conductance).

    Then somebody has turned the supply.
    """
    along_ln = math.log(median(b.voltage_v for b in after) / median(b.voltage_v for b in before))
    return math.copysign(along_ln, along_ln * ln) > VOLTAGE_SHARE * abs(ln)


def _change(
    blocks: tuple[Block, ...], from_s: float, ages_s: tuple[float, float], scatter_ln: float
) -> Change:
    """Return the change of the newest means against those of an age."""
    before, recent = _aged(blocks, from_s, ages_s), blocks[-RECENT:]
    if len(before) < LEAST_REFERENCE:
        return Change(0.0, scatter_ln)
    ln = _middle_ln(recent) - _middle_ln(before)
    return Change(0.0 if _is_supply(before, recent, ln) else ln, scatter_ln)


def _without_slope(blocks: tuple[Block, ...], from_s: float, step: Change) -> Change:
    """Return a step less what the slope before it explains.

    The slope is that of the minute before or, until there is one, of the reference itself. So a
    cell that settles, ever more slowly, is no step. A supply that was turned is no slope.
    """
    after, before = _aged(blocks, from_s, STEP_S), _aged(blocks, from_s, SLOPE_S)
    if len(after) < LEAST_REFERENCE:
        return step
    if len(before) < LEAST_REFERENCE:
        half = len(after) // 2
        before, after = after[:half], after[-half:]
    moved_ln = _middle_ln(after) - _middle_ln(before)
    if _is_supply(before, after, moved_ln):
        return step
    explained_ln = (
        moved_ln
        / (after[0].at_s - before[0].at_s)
        * (blocks[-1].at_s - after[len(after) // 2].at_s)
    )
    if step.ln > 0.0:
        return step._replace(ln=max(0.0, step.ln - max(0.0, explained_ln)))
    return step._replace(ln=min(0.0, step.ln - min(0.0, explained_ln)))


def _as_never_before(older_ln: Sequence[float], recent_ln: float, step: Change) -> Change:
    """Return the part of a step that lies beyond all that the older means have shown.

    They are taken three by three. A change that only comes back is no step.
    """
    levels_ln = [
        sorted(three)[1] for three in zip(older_ln, older_ln[1:], older_ln[2:], strict=False)
    ]
    if not levels_ln:
        return step
    if step.ln > 0.0:
        return step._replace(ln=max(0.0, min(step.ln, recent_ln - max(levels_ln))))
    return step._replace(ln=min(0.0, max(step.ln, recent_ln - min(levels_ln))))


def _drift(trend: Trend, limits: LimitSettings) -> float:
    """Return how far ln(conductance) has risen since the blind time, less growth and warming.

    The reference is the first means after the blind time or, once these are too old, the oldest
    that are kept. So a drift slower than that window counts as growth.
    """
    first = _aged(trend.blocks, trend.began_at_s + limits.trend_blind_s, (0.0, KEPT_S))[
        :LEAST_REFERENCE
    ]
    newest = trend.blocks[-1]
    reference = median(block.ln_conductance - block.expected_ln for block in first)
    drift_ln = newest.ln_conductance - newest.expected_ln - reference
    return 0.0 if _is_supply(first, (newest,), drift_ln) else drift_ln


def _over_median(blocks: tuple[Block, ...], from_s: float) -> float:
    """Return the newest voltage over the median of 60 to 120 s ago, less 1.

    Before ``from_s`` the supply may still be being turned up.
    """
    before = _aged(blocks, from_s, OWN_S)
    return (
        blocks[-1].voltage_v / median(block.voltage_v for block in before) - 1.0 if before else 0.0
    )


def _since(before_s: float | None, broken: bool, now_s: float) -> float | None:
    return (now_s if before_s is None else before_s) if broken else None
