"""Relief: how much metal a depth takes when the front also creeps under the resist. Pure.

Under the resist the front is a quarter ellipse: the undercut is x = d / etch_factor, the depth at
a lateral distance s is d*sqrt(1 - (s/x)^2). With A(s) the open area after it has grown by s, the
removed volume is

    V(d) = A(0)*d + integral_0^x d*sqrt(1 - (s/x)^2) A'(s) ds
         = d * integral_0^(pi/2) A(x sin t) sin t dt

by parts, with s = x sin t. This needs no derivative of a measured curve. For a convex opening
A(s) = A + P s + pi s^2 (Minkowski-Steiner) and an etch factor e,
V = A d + (pi/4) P d^2 / e + (2/3) pi d^3 / e^2.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from controller.errors import RefusedError
from controller.units import positive

_INTERVALS = 64
"""Simpson intervals over a quarter turn. The error on the Steiner form is 2e-8 of the volume
(tests/physics/test_relief.py)."""


class Growth(Protocol):
    """Open area after the opening has grown into the resist."""

    def area_mm2(self, s_mm: float) -> float:
        """Return A(s) in mm2 for a lateral growth s in mm (>= 0)."""


@dataclass(frozen=True, slots=True)
class SteinerGrowth:
    """Growth of openings known by area and edge length only: A + P s + pi * fields * s^2.

    :param open_area_mm2: open area at the start.
    :param edge_mm: length of all edges between open metal and resist, or 0 when it is not known.
    :param fields: separate openings less holes in them (Euler characteristic). Source:
        Minkowski-Steiner formula.
    """

    open_area_mm2: float
    edge_mm: float = 0.0
    fields: int = 1

    def area_mm2(self, s_mm: float) -> float:
        """Return A(s) in mm2. Without an edge nothing grows."""
        if self.edge_mm == 0.0:
            return self.open_area_mm2
        return self.open_area_mm2 + self.edge_mm * s_mm + math.pi * self.fields * s_mm * s_mm


@dataclass(frozen=True, slots=True)
class MeasuredGrowth:
    """Growth measured from the artwork.

    Beyond the last pair the area keeps its last value: nothing is left to grow into. A curve that
    ends too early is refused by the plan.

    :param pairs: (s_mm, area_mm2), s ascending from 0, the area never falling.
    """

    pairs: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        if len(self.pairs) < 2 or self.pairs[0][0] != 0.0:
            raise RefusedError("physics.growth.too_short", field="growth_mm2")
        if (
            not all(math.isfinite(s) and math.isfinite(a) for s, a in self.pairs)
            or self.pairs[0][1] <= 0.0
        ):
            raise RefusedError("physics.growth.not_finite", field="growth_mm2")
        for (s0, a0), (s1, a1) in pairwise(self.pairs):
            if not s1 > s0 or a1 < a0:
                raise RefusedError(
                    "physics.growth.not_rising",
                    field="growth_mm2",
                    at_mm=s0,
                    area_mm2=a0,
                    next_mm=s1,
                    next_area_mm2=a1,
                )

    def area_mm2(self, s_mm: float) -> float:
        """Return A(s) in mm2 by linear interpolation."""
        return interpolate(self.pairs, s_mm)


@dataclass(frozen=True, slots=True)
class ScaledGrowth:
    """Copies of an artwork, and bare metal that does not grow: contact tab, untaped edges."""

    base: Growth
    copies: int
    other_bare_mm2: float

    def area_mm2(self, s_mm: float) -> float:
        """Return A(s) in mm2 of everything that hangs in the bath."""
        return self.copies * self.base.area_mm2(s_mm) + self.other_bare_mm2


def interpolate(pairs: Sequence[tuple[float, float]], x: float) -> float:
    """Return y at x, linear between ascending pairs (x, y), constant beyond the ends."""
    if x <= pairs[0][0]:
        return pairs[0][1]
    if x >= pairs[-1][0]:
        return pairs[-1][1]
    i = bisect_right(pairs, (x, math.inf))
    (x0, y0), (x1, y1) = pairs[i - 1], pairs[i]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def _simpson_nodes() -> tuple[tuple[float, float], ...]:
    """Return pairs (sin t, weight * sin t) for Simpson's rule over a quarter turn."""
    step = 0.5 * math.pi / _INTERVALS
    nodes = []
    for i in range(_INTERVALS + 1):
        weight = 1.0 if i in (0, _INTERVALS) else 4.0 if i % 2 else 2.0
        sine = math.sin(i * step)
        nodes.append((sine, weight * step / 3.0 * sine))
    return tuple(nodes)


_NODES = _simpson_nodes()


def removed_volume_mm3(depth_mm: float, growth: Growth, etch_factor: float) -> float:
    """Return the volume in mm3 removed when the open floor is at ``depth_mm`` (>= 0)."""
    undercut_mm = depth_mm / etch_factor
    return depth_mm * sum(weight * growth.area_mm2(undercut_mm * sine) for sine, weight in _NODES)


@dataclass(frozen=True, slots=True)
class ReliefTable:
    """V(d), tabulated once, so that the loop only interpolates.

    :param pairs: (depth_mm, volume_mm3), both ascending from (0, 0).
    """

    pairs: tuple[tuple[float, float], ...]

    def volume_mm3(self, depth_mm: float) -> float:
        """Return the removed volume at a depth. Raises: RefusedError beyond the table."""
        if depth_mm > self.pairs[-1][0]:
            deepest_mm = self.pairs[-1][0]
            raise RefusedError(
                "physics.growth.beyond_table", depth_mm=depth_mm, deepest_mm=deepest_mm
            )
        return interpolate(self.pairs, depth_mm)


def relief_table(
    growth: Growth, etch_factor: float, deepest_mm: float, steps: int = 160
) -> ReliefTable:
    """Return V(d) from 0 to deepest_mm in equal steps.

    Raises: RefusedError for a depth or etch factor that is not above zero.
    """
    positive(deepest_mm, "depth_mm", "mm")
    positive(etch_factor, "etch_factor", "")
    depths = [deepest_mm * i / steps for i in range(steps + 1)]
    return ReliefTable(tuple((d, removed_volume_mm3(d, growth, etch_factor)) for d in depths))
