"""How deep each place is and how sure: charge -> depth there, with an interval. Pure.

The depth at a place is the mean depth times the place's ratio, which depends on the evenness.
For components i with ratio r_i, bite factor ln b ~ (m_i, s_i) and volume V_i(mean depth),

    P(depth <= d | Q) = sum_i w_i Phi((ln V_i(d / r_i) - ln(k Q) - m_i) / s_i)

The best estimate is the median. The tables are made once for a plan and interpolated later.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from controller.physics.estimate import (
    HIGH_SHARE,
    LOW_SHARE,
    Belief,
    DepthEstimate,
    DepthTable,
)
from controller.physics.places import Place
from controller.physics.relief import Growth, ReliefTable, interpolate, relief_table

Row = tuple[tuple[float, float], ...]

_SOLVED_STEPS = 10
"""Depths for which the mixture is solved. ln(charge / depth) is nearly straight between them."""

_TABLE_STEPS = 60
_RELIEF_STEPS = 60
_LEAST_REACHED = 1e-12
_MOST_TRIES = 60
_CLOSE = 1e-6
"""ln(charge) is solved to one part in a million."""

_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class PlaceDepth:
    """A place and its table charge -> depth."""

    place: Place
    table: DepthTable

    def at(self, charge_coulombs: float, uncertain_coulombs: float = 0.0) -> DepthEstimate:
        """Return the depth here after a counted charge."""
        return self.table.at(charge_coulombs, uncertain_coulombs)


def mean_ratio(belief: Belief, place: Place) -> float:
    """Return the geometric mean of the depth here over the mean depth."""
    return math.exp(sum(c.weight * math.log(place.ratio(c.evenness)) for c in belief.components))


def place_depths(
    belief: Belief,
    growth: Growth,
    mm3_per_coulomb: float,
    places: Sequence[Place],
    most_coulombs: float,
) -> tuple[PlaceDepth, ...]:
    """Return each place with its table, which reaches at least ``most_coulombs``.

    :param belief: with an evenness in each component; see evenness.with_evenness.
    :param mm3_per_coulomb: volume removed per coulomb at bite factor 1.
    """
    maker = _Maker(belief, growth, mm3_per_coulomb, most_coulombs)
    return tuple(PlaceDepth(place, maker.table(place)) for place in places)


def deepest_row(depths: Sequence[PlaceDepth]) -> Row:
    """Return pairs (charge, depth): the greatest upper end of all places."""
    charges = sorted({charge for depth in depths for charge, _ in depth.table.high})
    most = min(depth.table.high[-1][0] for depth in depths)
    return tuple(
        (charge, max(interpolate(depth.table.high, charge) for depth in depths))
        for charge in charges
        if charge <= most
    )


class _Maker:
    """What the tables of all places share: one relief table for each etch factor."""

    def __init__(
        self, belief: Belief, growth: Growth, mm3_per_coulomb: float, most_coulombs: float
    ) -> None:
        self._belief, self._growth = belief, growth
        self._mm3_per_coulomb, self._most_coulombs = mm3_per_coulomb, most_coulombs
        self._reliefs: Mapping[float, ReliefTable] = {}
        self._reach_mm = 0.0

    def table(self, place: Place) -> DepthTable:
        ratios = [place.ratio(c.evenness) for c in self._belief.components]
        # The upper row reaches each depth first: it needs the greatest depth of the three.
        deepest_mm = self._flat_depth_mm() * mean_ratio(self._belief, place)
        while self._ln_charge(ratios, deepest_mm, HIGH_SHARE) < math.log(self._most_coulombs):
            deepest_mm *= 1.3
        best, low, high = (
            self._row(ratios, deepest_mm, share) for share in (0.5, LOW_SHARE, HIGH_SHARE)
        )
        return DepthTable(best, low, high)

    def _flat_depth_mm(self) -> float:
        per_coulomb = self._mm3_per_coulomb * self._belief.best_bite_factor
        return self._most_coulombs * per_coulomb / self._growth.area_mm2(0.0)

    def _row(self, ratios: Sequence[float], deepest_mm: float, share: float) -> Row:
        """Return pairs (charge, depth) with a depth that exceeds the truth in ``share`` of cases.

        The mixture is solved for some depths. Between them ln(charge / depth) is interpolated.
        """
        solved = [
            (depth_mm, self._ln_charge(ratios, depth_mm, share) - math.log(depth_mm))
            for depth_mm in (
                deepest_mm * (i + 0.5) / (_SOLVED_STEPS - 0.5) for i in range(_SOLVED_STEPS)
            )
        ]
        depths = (deepest_mm * i / _TABLE_STEPS for i in range(1, _TABLE_STEPS + 1))
        pairs = ((d * math.exp(interpolate(solved, d)), d) for d in depths)
        return ((0.0, 0.0), *pairs)

    def _ln_charge(self, ratios: Sequence[float], depth_mm: float, share: float) -> float:
        """Return ln of the charge at which the depth is ``depth_mm`` at this share."""
        self._reach(depth_mm / min(ratios))
        ln_k = math.log(self._mm3_per_coulomb)
        mixture = []
        for component, ratio in zip(self._belief.components, ratios, strict=True):
            volume = self._reliefs[component.etch_factor].volume_mm3(depth_mm / ratio)
            mean = math.log(volume) - ln_k - component.mean_ln
            mixture.append((mean, component.sd_ln, component.weight))
        return mixture_quantile(mixture, 1.0 - share)

    def _reach(self, depth_mm: float) -> None:
        """Make the relief tables, deeper than before when this depth needs it."""
        if depth_mm <= self._reach_mm:
            return
        self._reach_mm = 1.5 * depth_mm
        factors = {component.etch_factor for component in self._belief.components}
        self._reliefs = {
            factor: relief_table(self._growth, factor, self._reach_mm, _RELIEF_STEPS)
            for factor in factors
        }


def mixture_quantile(mixture: Sequence[tuple[float, float, float]], share: float) -> float:
    """Return x with sum(weight * Phi((x - mean) / sd)) = share, for triples (mean, sd, weight).

    The share reached, as a normal score, is almost straight in x, so that few steps of the
    Illinois method do. Source of the method: Dowell and Jarratt, BIT 11 (1971) 168, from memory.
    """
    goal = _NORMAL.inv_cdf(share)

    def off(x: float) -> float:
        reached = sum(
            w * 0.5 * math.erfc((mean - x) / (sd * math.sqrt(2.0))) for mean, sd, w in mixture
        )
        bounded = min(max(reached, _LEAST_REACHED), 1.0 - _LEAST_REACHED)
        return _NORMAL.inv_cdf(bounded) - goal

    total = sum(w for _, _, w in mixture)
    middle = sum(w * mean for mean, _, w in mixture) / total
    spread = math.sqrt(sum(w * (sd * sd + (mean - middle) ** 2) for mean, sd, w in mixture) / total)
    low, high = middle + (goal - 0.5) * spread, middle + (goal + 0.5) * spread
    off_low, off_high = off(low), off(high)
    for _ in range(_MOST_TRIES):
        if off_low <= 0.0:
            break
        low, high, off_high = low - spread, low, off_low
        off_low = off(low)
    for _ in range(_MOST_TRIES):
        if off_high >= 0.0:
            break
        low, high, off_low = high, high + spread, off_high
        off_high = off(high)
    for _ in range(_MOST_TRIES):
        x = low - off_low * (high - low) / (off_high - off_low) if off_high > off_low else low
        off_x = off(x)
        if abs(off_x) < _CLOSE or high - low < _CLOSE:
            return x
        if off_x < 0.0:
            low, off_low = x, off_x
            off_high *= 0.5
        else:
            high, off_high = x, off_x
            off_low *= 0.5
    return 0.5 * (low + high)
