"""How deep and how sure: turns the belief about both factors into a table charge -> depth. Pure.

ln(bite factor) is normal, with one standard deviation from bath to bath and one from run to run.
ln(etch factor) is normal. Errors of area and shunt act like the bite factor: standard deviations
add in squares. The etch factor is a set of equally likely values; for each of them, the logarithm
of the bite factor is a normal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from controller.physics.relief import Growth, ReliefTable, interpolate, relief_table

LOW_SHARE = 0.025
HIGH_SHARE = 0.975
"""The interval shown is the central 95 %."""

_TABLE_STEPS = 60
_BISECTIONS = 32
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Component:
    """A possible etch factor, its weight, and ln(effective bite factor) if it is the true one.

    :param evenness: how far the depth follows the ohmic current, 0 to 1; see bath_field.py.
    """

    etch_factor: float
    weight: float
    mean_ln: float
    sd_ln: float
    evenness: float = 0.0


@dataclass(frozen=True, slots=True)
class Belief:
    """A mixture over etch factors. Weights sum to 1.

    :param components: ordered by etch factor.
    """

    components: tuple[Component, ...]

    @property
    def best_etch_factor(self) -> float:
        """Geometric mean of the etch factor."""
        return math.exp(sum(c.weight * math.log(c.etch_factor) for c in self.components))

    @property
    def best_bite_factor(self) -> float:
        """Geometric mean of the effective bite factor."""
        return math.exp(sum(c.weight * c.mean_ln for c in self.components))

    def low_bite_factor(self) -> float:
        """Return the 2.5 % point of the bite factor, which sets the ceiling on charge."""
        return math.exp(
            _quantile([(c.mean_ln, c.sd_ln, c.weight) for c in self.components], LOW_SHARE)
        )

    def etch_factor_range(self) -> tuple[float, float]:
        """Return the etch factor's 10 % and 90 % points, between the values of the mixture.

        Lost lines are judged at the low one, too deep at the high one.
        """
        reached = 0.0
        points = []
        for component in by_etch_factor(self).components:
            level = min(max(reached + 0.5 * component.weight, 1e-9), 1.0 - 1e-9)
            points.append((_NORMAL.inv_cdf(level), math.log(component.etch_factor)))
            reached += component.weight
        ends = (interpolate(points, _NORMAL.inv_cdf(share)) for share in (0.1, 0.9))
        low, high = (math.exp(end) for end in ends)
        return low, high


def by_etch_factor(belief: Belief) -> Belief:
    """Return a belief in which the evenness is merged: it does not change the mean depth.

    Components of one etch factor become the normal with the same mean and variance.
    """
    parts: dict[float, list[Component]] = {}
    for component in belief.components:
        parts.setdefault(component.etch_factor, []).append(component)
    merged = []
    for factor, alike in parts.items():
        weight = sum(c.weight for c in alike)
        mean = sum(c.weight * c.mean_ln for c in alike) / weight
        variance = sum(c.weight * (c.sd_ln**2 + (c.mean_ln - mean) ** 2) for c in alike) / weight
        merged.append(Component(factor, weight, mean, math.sqrt(variance)))
    return Belief(tuple(merged))


def standard_steps(count: int) -> list[float]:
    """Return equally likely values of a standard normal variable, scaled to a variance of 1."""
    steps = [_NORMAL.inv_cdf((i + 0.5) / count) for i in range(count)]
    spread = math.sqrt(sum(step * step for step in steps) / count)
    return [step / spread for step in steps]


@dataclass(frozen=True, slots=True)
class DepthEstimate:
    """Best estimate and 95 % interval of the mean depth of an open floor, mm."""

    best_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class DepthTable:
    """Charge -> depth: three rows of ascending pairs (charge_coulombs, depth_mm)."""

    best: tuple[tuple[float, float], ...]
    low: tuple[tuple[float, float], ...]
    high: tuple[tuple[float, float], ...]

    def at(self, charge_coulombs: float, uncertain_coulombs: float = 0.0) -> DepthEstimate:
        """Return the depth after a counted charge. Missing charge widens the upper bound only."""
        return DepthEstimate(
            depth_at_mm(self.best, charge_coulombs),
            depth_at_mm(self.low, charge_coulombs),
            depth_at_mm(self.high, charge_coulombs + uncertain_coulombs),
        )

    def charge_for_depth_coulombs(self, depth_mm: float) -> float:
        """Return the charge at which the best estimate reaches a depth within the table."""
        return interpolate([(depth, charge) for charge, depth in self.best], depth_mm)


def depth_at_mm(row: tuple[tuple[float, float], ...], charge_coulombs: float) -> float:
    """Return the depth at a charge.

    Beyond the row, its last step is extended in a straight line, which errs to the deep side.
    """
    (q0, d0), (q1, d1) = row[-2:]
    if charge_coulombs > q1:
        return d1 + (d1 - d0) * (charge_coulombs - q1) / (q1 - q0)
    return interpolate(row, charge_coulombs)


def depth_table(
    belief: Belief, growth: Growth, mm3_per_coulomb: float, deepest_mm: float
) -> DepthTable:
    """Return the table up to a deepest best estimate of deepest_mm.

    :param mm3_per_coulomb: volume removed per coulomb at bite factor 1.
    """
    belief = by_etch_factor(belief)
    best_relief = relief_table(growth, belief.best_etch_factor, deepest_mm)
    per_coulomb = mm3_per_coulomb * belief.best_bite_factor
    best = tuple((volume / per_coulomb, depth) for depth, volume in best_relief.pairs)
    most_coulombs = best[-1][0]
    # The bounds must reach the charge at the end of the best row. The upper one needs more depth.
    bound_mm = deepest_mm
    while True:
        reliefs = [
            relief_table(growth, c.etch_factor, bound_mm, _TABLE_STEPS) for c in belief.components
        ]
        high = _bound_row(belief, reliefs, mm3_per_coulomb, HIGH_SHARE)
        if high[-1][0] >= most_coulombs:
            break
        bound_mm *= 1.5
    return DepthTable(best, _bound_row(belief, reliefs, mm3_per_coulomb, LOW_SHARE), high)


def _bound_row(
    belief: Belief, reliefs: Sequence[ReliefTable], mm3_per_coulomb: float, share: float
) -> tuple[tuple[float, float], ...]:
    """Return pairs (charge, depth) with a depth that exceeds the truth with a chance of ``share``.

    P(depth <= d | Q) = sum_i w_i Phi((ln V_i(d) - ln(k Q) - m_i) / s_i) is solved for ln Q.
    """
    row = [(0.0, 0.0)]
    for j in range(1, len(reliefs[0].pairs)):
        depth_mm = reliefs[0].pairs[j][0]
        mixture = [
            (math.log(relief.pairs[j][1] / mm3_per_coulomb) - c.mean_ln, c.sd_ln, c.weight)
            for relief, c in zip(reliefs, belief.components, strict=True)
        ]
        row.append((math.exp(_quantile(mixture, 1.0 - share)), depth_mm))
    return tuple(row)


def _quantile(mixture: Sequence[tuple[float, float, float]], share: float) -> float:
    """Return x with sum(weight * Phi((x - mean) / sd)) = share, for triples (mean, sd, weight)."""
    low = min(mean - 6.0 * sd for mean, sd, _ in mixture)
    high = max(mean + 6.0 * sd for mean, sd, _ in mixture)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        reached = sum(
            w * 0.5 * math.erfc((mean - middle) / (sd * math.sqrt(2.0))) for mean, sd, w in mixture
        )
        low, high = (middle, high) if reached < share else (low, middle)
    return 0.5 * (low + high)
