"""Removed volume against depth for every etch factor, from one table per growth curve. Pure.

V_e(d) = d * g(d / e) with g(x) = integral_0^(pi/2) A(x sin t) sin t dt, see relief.py. So one
table of g serves every etch factor and every depth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from controller.physics.relief import Growth

_LOWEST_MM, _HIGHEST_MM, _POINTS = 0.004, 4.0, 32
_INTERVALS = 16
"""Simpson intervals. With 32 points, ln V is within 0.002 of relief.removed_volume_mm3."""
_STEP_LN = math.log(_HIGHEST_MM / _LOWEST_MM) / (_POINTS - 1)
_LOWEST_LN = math.log(_LOWEST_MM)


def _nodes() -> tuple[tuple[float, float], ...]:
    step = 0.5 * math.pi / _INTERVALS
    nodes = []
    for i in range(_INTERVALS + 1):
        weight = 1.0 if i in (0, _INTERVALS) else 4.0 if i % 2 else 2.0
        nodes.append((math.sin(i * step), weight * step / 3.0 * math.sin(i * step)))
    return tuple(nodes)


_NODES = _nodes()


@dataclass(frozen=True, slots=True)
class VolumeCurve:
    """ln g at equal steps of ln x; beyond the ends the last step is extended."""

    ln_g: tuple[float, ...]

    def at(self, depth_mm: float, etch_factor: float) -> tuple[float, float]:
        """Return ln V at a depth, V in mm3, and d(ln V)/d(depth) in 1/mm."""
        ln_depth = math.log(depth_mm)
        position = (ln_depth - math.log(etch_factor) - _LOWEST_LN) / _STEP_LN
        i = min(max(int(position), 0), _POINTS - 2)
        low, high = self.ln_g[i], self.ln_g[i + 1]
        rise = high - low
        return ln_depth + low + (position - i) * rise, (1.0 + rise / _STEP_LN) / depth_mm


def volume_curve(growth: Growth) -> VolumeCurve:
    """Return the table of a growth curve, which must be hashable."""
    return _volume_curve(growth)  # type: ignore[arg-type]


@lru_cache(maxsize=128)
def _volume_curve(growth: Growth) -> VolumeCurve:
    ln_g = []
    for j in range(_POINTS):
        undercut_mm = math.exp(_LOWEST_LN + j * _STEP_LN)
        ln_g.append(
            math.log(sum(weight * growth.area_mm2(undercut_mm * sine) for sine, weight in _NODES))
        )
    return VolumeCurve(tuple(ln_g))
