"""Compares a cell's conductance now with that of earlier in the stretch. Pure.

A step is the difference from half a minute before. The slope before the step is subtracted. A
change does not count when the voltage changed with it, because then somebody turned the supply,
or when it returns to an earlier level. trends.py decides what a change means.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from statistics import median
from typing import NamedTuple

RECENT = 3
"""Newest means whose median is judged, 6.6 s. One may be an outlier or straddle a brief event."""

LEAST_REFERENCE = 5
"""Fewest means for a comparison, 11 s."""

SCATTERS = 6.0
"""A change counts from this many times the scatter of the run's own means.

Scatter is the median distance of one mean from another. So a rough supply, bubbles or a swaying
plate raise the limit by themselves. For normal noise the scatter is 0.95 standard deviations
(computed: 0.6745 times the root of 2), so six times the scatter is 5.7 standard deviations.
"""

SCATTER_MEANS = (1, 6)
"""Distances at which scatter is measured, in means: 2.2 and 13 s.

A slow wobble hardly moves from one mean to the next.
"""

VOLTAGE_SHARE = 0.25
"""Share of a change by which the voltage may follow the conductance.

If it follows by more, somebody has turned the supply.
"""

STEP_S = (30.0, 45.0)
SLOPE_S = (90.0, 105.0)
RISE_S = (60.0, 75.0)
OWN_S = (60.0, 120.0)
"""Ages of the means to which the newest are compared, s.

In order: for a step, for the slope before it, for a rise in resistance, for a rise in voltage.
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


_AT_S = attrgetter("at_s")


def aged(
    blocks: tuple[Block, ...], from_s: float, ages_s: tuple[float, float]
) -> tuple[Block, ...]:
    """Return the means whose age is in ``ages_s``, without those from before ``from_s``."""
    now_s = blocks[-1].at_s
    first = bisect_left(blocks, max(from_s, now_s - ages_s[1]), key=_AT_S)
    return blocks[first : bisect_right(blocks, now_s - ages_s[0], key=_AT_S)]


def middle_ln(blocks: Sequence[Block]) -> float:
    """Return the median of ln(conductance)."""
    return median(block.ln_conductance for block in blocks)


def scatter_of_ln(lns: Sequence[float]) -> float:
    """Return the largest median distance of a mean from a later one; 0 for a single mean.

    At longer distances than one mean, the median move is subtracted first.
    """
    largest_ln = 0.0
    for means in SCATTER_MEANS:
        moves = [after - before for before, after in zip(lns, lns[means:], strict=False)]
        if moves:
            moved_ln = 0.0 if means == 1 else median(moves)
            largest_ln = max(largest_ln, median(abs(move - moved_ln) for move in moves))
    return largest_ln


def is_supply(before: Sequence[Block], after: Sequence[Block], ln: float) -> bool:
    """Return whether somebody turned the supply: the voltage followed ln(conductance)."""
    along_ln = math.log(median(b.voltage_v for b in after) / median(b.voltage_v for b in before))
    return math.copysign(along_ln, along_ln * ln) > VOLTAGE_SHARE * abs(ln)


def change_since(
    blocks: tuple[Block, ...], from_s: float, ages_s: tuple[float, float], scatter_ln: float
) -> Change:
    """Return how the newest means differ from those whose age is in ``ages_s``."""
    before, recent = aged(blocks, from_s, ages_s), blocks[-RECENT:]
    if len(before) < LEAST_REFERENCE:
        return Change(0.0, scatter_ln)
    ln = middle_ln(recent) - middle_ln(before)
    return Change(0.0 if is_supply(before, recent, ln) else ln, scatter_ln)


def without_slope(blocks: tuple[Block, ...], from_s: float, step: Change) -> Change:
    """Return a step less the part that the slope before it explains.

    The slope is taken over the minute before, or over the reference itself until there is such a
    minute. So a cell that settles ever more slowly shows no step. A turned supply is not a slope.
    """
    after, before = aged(blocks, from_s, STEP_S), aged(blocks, from_s, SLOPE_S)
    if len(after) < LEAST_REFERENCE:
        return step
    if len(before) < LEAST_REFERENCE:
        half = len(after) // 2
        before, after = after[:half], after[-half:]
    moved_ln = middle_ln(after) - middle_ln(before)
    if is_supply(before, after, moved_ln):
        return step
    explained_ln = (
        moved_ln
        / (after[0].at_s - before[0].at_s)
        * (blocks[-1].at_s - after[len(after) // 2].at_s)
    )
    if step.ln > 0.0:
        return step._replace(ln=max(0.0, step.ln - max(0.0, explained_ln)))
    return step._replace(ln=min(0.0, step.ln - min(0.0, explained_ln)))


def beyond_earlier(older_ln: Sequence[float], recent_ln: float, step: Change) -> Change:
    """Return the part of a step beyond every level that the older means have reached.

    A level is the median of three means in a row. A return to an earlier level is not a step.
    """
    levels_ln = [
        sorted(three)[1] for three in zip(older_ln, older_ln[1:], older_ln[2:], strict=False)
    ]
    if not levels_ln:
        return step
    if step.ln > 0.0:
        return step._replace(ln=max(0.0, min(step.ln, recent_ln - max(levels_ln))))
    return step._replace(ln=min(0.0, max(step.ln, recent_ln - min(levels_ln))))
