"""The depth that one charge etches, with its interval, without a whole depth table. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

from controller.physics.estimate import HIGH_SHARE, LOW_SHARE, Belief, DepthEstimate, by_etch_factor
from controller.physics.learning.volume import VolumeCurve, volume_curve
from controller.physics.relief import Growth

_BISECTIONS = 40
_SHALLOWEST_LN, _DEEPEST_LN = math.log(1e-5), math.log(1e3)


def depth_after(
    belief: Belief, growth: Growth, mm3_per_coulomb: float, charge_coulombs: float
) -> DepthEstimate:
    """Return best estimate and 95 % interval of the mean depth after a charge, C (> 0)."""
    curve = volume_curve(growth)
    small = by_etch_factor(belief)
    ln_volume = math.log(mm3_per_coulomb * charge_coulombs)
    best = ln_volume + math.log(small.best_bite_factor)
    factor = small.best_etch_factor

    def reached(ln_depth: float) -> float:
        return sum(
            c.weight
            * 0.5
            * math.erfc(
                (c.mean_ln + ln_volume - curve.at(math.exp(ln_depth), c.etch_factor)[0])
                / (c.sd_ln * math.sqrt(2.0))
            )
            for c in small.components
        )

    return DepthEstimate(
        _solved(lambda ln_depth: _ln_volume(curve, ln_depth, factor), best),
        _solved(reached, LOW_SHARE),
        _solved(reached, HIGH_SHARE),
    )


def _ln_volume(curve: VolumeCurve, ln_depth: float, etch_factor: float) -> float:
    return curve.at(math.exp(ln_depth), etch_factor)[0]


def _solved(function: Callable[[float], float], wanted: float) -> float:
    """Return the depth at which a rising function of ln(depth) has the wanted value."""
    low, high = _SHALLOWEST_LN, _DEEPEST_LN
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) < wanted else (low, middle)
    return math.exp(0.5 * (low + high))
