"""A cell walked through the rules on slow faults, one conversion after another."""

from __future__ import annotations

from collections.abc import Callable

from controller.config import LimitSettings
from controller.messages import Finding, Sample
from controller.safety.trends import SAMPLES_PER_BLOCK, Expected, Trend, follow
from controller.sensors import INA219
from controller.texts import Message

LIMITS = LimitSettings()
CONVERSION_S = INA219.averaged_s[0]
BLOCK_S = SAMPLES_PER_BLOCK * CONVERSION_S
WITHIN_S = 6.7
"""Three means of 2.2 s, and a conversion."""
NOTHING = Expected(1.0, None)
RISEN = Message("guards.warning.resistance")


def walk(
    reading: Callable[[float], tuple[float, float]],
    seconds: float,
    expected: Callable[[float], Expected] = lambda _t: NOTHING,
    pieces: int = 1,
    limits: LimitSettings = LIMITS,
) -> tuple[float, Finding | None, list[tuple[Message, ...]]]:
    """Follow a cell until a finding or the end; return when, what, and the warnings over time."""
    trend, t, warned = Trend(0.0, pieces), 0.0, []
    while t < seconds:
        t += CONVERSION_S
        current_a, voltage_v = reading(t)
        sample = Sample(t, current_a, voltage_v)
        trend, finding = follow(trend, sample, lambda: expected(t), limits)  # noqa: B023
        warned.append(trend.warnings)
        if finding is not None:
            return t, finding, warned
    return t, None, warned


def step_at(
    at_s: float, factor: float, base: tuple[float, float] = (3.0, 3.0)
) -> Callable[[float], tuple[float, float]]:
    """A constant-current cell whose conductance jumps by a factor."""
    return lambda t: (base[0], base[1] / (factor if t >= at_s else 1.0))


def scattering(
    scatter: float, then: Callable[[float], tuple[float, float]]
) -> Callable[[float], tuple[float, float]]:
    """A cell whose means lie by turns above and below: each is ``scatter`` from the next."""

    def reading(t: float) -> tuple[float, float]:
        current_a, voltage_v = then(t)
        return current_a, voltage_v * (
            1.0
            + (0.5 if (round(t / CONVERSION_S) - 1) // SAMPLES_PER_BLOCK % 2 else -0.5) * scatter
        )

    return reading
