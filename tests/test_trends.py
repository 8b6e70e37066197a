"""Slow faults by the conductance: each rule at its limit, told from growth, warming, noise and ripple."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.config import LimitSettings
from controller.messages import Finding, Sample, TripReason
from controller.trends import CONDUCTIVITY_PER_K, SAMPLES_PER_BLOCK, Expected, Trend, follow

LIMITS = LimitSettings()
CONVERSION_S = 0.0686
NOTHING = Expected(1.0, None)


def walk(
    reading: Callable[[float], tuple[float, float]],
    seconds: float,
    expected: Callable[[float], Expected] = lambda _t: NOTHING,
    pieces: int = 1,
    limits: LimitSettings = LIMITS,
) -> tuple[float, Finding | None, list[tuple[str, ...]]]:
    """Follow a cell until a finding or the end; return when, what, and the warnings over time."""
    trend, t, told = Trend(0.0, pieces), 0.0, []
    while t < seconds:
        t += CONVERSION_S
        current_a, voltage_v = reading(t)
        trend, finding = follow(trend, Sample(t, current_a, voltage_v), lambda: expected(t), limits)  # noqa: B023
        told.append(trend.warnings)
        if finding is not None:
            return t, finding, told
    return t, None, told


def step_at(at_s: float, factor: float, base: tuple[float, float] = (3.0, 3.0)) -> Callable[[float], tuple[float, float]]:
    """A constant-current cell whose conductance jumps by a factor."""
    return lambda t: (base[0], base[1] / (factor if t >= at_s else 1.0))


def test_a_steady_cell_is_quiet() -> None:
    _, finding, told = walk(lambda _t: (3.0, 3.0), 600.0)
    assert finding is None
    assert not any(told)


@pytest.mark.parametrize(("factor", "is_seen"), [(1.14, False), (1.16, True), (1.5, True)])
@pytest.mark.parametrize("mode", ["constant-current", "constant-voltage"])
def test_a_step_of_the_conductance_pauses_above_its_limit(factor: float, is_seen: bool, mode: str) -> None:
    def reading(t: float) -> tuple[float, float]:
        gain = factor if t >= 200.0 else 1.0
        return (3.0, 3.0 / gain) if mode == "constant-current" else (3.0 * gain, 3.0)

    at_s, finding, _ = walk(reading, 400.0)
    assert (finding is not None) is is_seen
    if finding is not None:
        assert finding.reason is TripReason.RESIST_LEAK
        assert at_s - 200.0 <= 3 * SAMPLES_PER_BLOCK * CONVERSION_S + 0.1
        assert finding.value == pytest.approx(100 * (factor - 1), abs=0.5)
        assert (finding.limit, finding.unit) == (15.0, "%")


def test_nothing_is_judged_in_the_first_minute_and_a_step_there_is_not_seen() -> None:
    _, finding, _ = walk(step_at(30.0, 1.5), 300.0)
    assert finding is None


def test_a_step_just_after_the_blind_time_has_nothing_to_be_compared_with_until_there_is() -> None:
    _, finding, _ = walk(step_at(70.0, 1.5), 300.0)
    assert finding is not None, "the means of 60 to 70 s are 30 s old at 100 s"


def test_a_single_odd_mean_does_not_pause() -> None:
    block_s = SAMPLES_PER_BLOCK * CONVERSION_S
    _, finding, _ = walk(lambda t: (3.0, 2.0 if 200.0 <= t < 200.0 + 0.9 * block_s else 3.0), 400.0)
    assert finding is None


@pytest.mark.parametrize(("warming_k", "warns"), [(10.0, False), (None, True)])
def test_measured_warming_explains_its_share(warming_k: float | None, warns: bool) -> None:
    """1.33 % per K: 10 K between 80 and 180 s raise the conductance by e^0.133. Source: Landolt-Boernstein, 1.017 mol/L nitric
    acid, cited in a maker's manual."""
    assert CONDUCTIVITY_PER_K == 0.0133

    def ramp(t: float) -> float:
        return min(1.0, max(0.0, (t - 80.0) / 100.0))

    def expected(t: float) -> Expected:
        return Expected(1.0, None if warming_k is None else warming_k * ramp(t))

    _, finding, told = walk(lambda t: (3.0, 3.0 * math.exp(-0.133 * ramp(t))), 300.0, expected)
    assert finding is None
    assert any(told) is warns


def test_a_climb_that_gathers_pace_is_no_step() -> None:
    """ln conductance rises by a t^2 / 2: at 400 s about 31 % in 37 s, explained but for 5 % by the slope before."""
    _, finding, _ = walk(lambda t: (3.0, 3.0 * math.exp(-0.5 * 3e-5 * max(0.0, t - 100.0) ** 2)), 400.0)
    assert finding is None


def test_growth_and_warming_are_no_leak() -> None:
    """Half more area on the way, as fine work in constant voltage (common practice), and 10 K: never a pause, never a warning."""

    def reading(t: float) -> tuple[float, float]:
        return 3.0, 3.0 / (math.sqrt(1.0 + 0.5 * t / 600.0) * (1.0 + 0.0133 * 10.0 * t / 600.0))

    _, finding, told = walk(reading, 600.0, lambda t: Expected(1.0 + 0.5 * t / 600.0, 10.0 * t / 600.0))
    assert finding is None
    assert not any(told)


def test_a_drift_that_neither_growth_nor_warming_explains_warns_and_goes_on() -> None:
    _, finding, told = walk(lambda t: (3.0, 3.0 * (1.0 - 0.10 * min(1.0, max(0.0, (t - 80.0) / 100.0)))), 300.0)
    assert finding is None
    assert any("conducts better" in text for text in told[-1])
    _, _, explained = walk(
        lambda t: (3.0, 3.0 * (1.0 - 0.10 * min(1.0, max(0.0, (t - 80.0) / 100.0)))),
        300.0,
        lambda t: Expected(1.0 / (1.0 - 0.10 * min(1.0, max(0.0, (t - 80.0) / 100.0))), None),
    )
    assert not any(explained)


def test_a_risen_resistance_warns_naming_stirring_film_and_contact() -> None:
    _, finding, told = walk(step_at(200.0, 1 / 1.17), 230.0)
    assert finding is None
    assert any("stirring" in text and "film" in text and "contact" in text for text in told[-1])
    _, _, quiet = walk(step_at(200.0, 1 / 1.13), 230.0)
    assert not any(quiet)


def test_several_pieces_pause_when_the_resistance_jumps_up() -> None:
    at_s, finding, _ = walk(step_at(200.0, 1 / 1.4), 400.0, pieces=2)
    assert finding is not None
    assert finding.reason is TripReason.LOST_CONTACT
    assert at_s < 210.0


@pytest.mark.parametrize(("factor", "warns"), [(1.18, False), (1.22, True)])
def test_voltage_over_its_own_median_warns_after_20_s(factor: float, warns: bool) -> None:
    """In small steps, so that no other rule sees it first."""
    _, finding, told = walk(lambda t: (3.0, 3.0 * (1.0 + (factor - 1.0) * min(1.0, max(0.0, (t - 200.0) / 50.0)))), 290.0)
    assert finding is None
    assert any(any("own mean" in text for text in texts) for texts in told) is warns


def test_voltage_half_over_its_own_median_trips() -> None:
    at_s, finding, _ = walk(step_at(200.0, 1 / 1.52), 400.0)
    assert finding is not None
    assert finding.reason is TripReason.OVER_VOLTAGE
    assert finding.limit == pytest.approx(4.5)
    assert at_s - 200.0 <= 2 * SAMPLES_PER_BLOCK * CONVERSION_S + 0.1
    _, below, _ = walk(step_at(200.0, 1 / 1.48), 400.0)
    assert below is None


def test_a_quick_look_and_a_dead_cell_are_left_out() -> None:
    trend = Trend(0.0)
    after, finding = follow(trend, Sample(1.0, 9.0, 9.0, averaged=False), lambda: NOTHING, LIMITS)
    assert after is trend
    assert finding is None
    _, finding, told = walk(lambda t: (0.0, 0.0) if 200 < t < 250 else (3.0, 3.0), 400.0)
    assert finding is None
    assert not any(told)


def test_ripple_noise_warming_and_growth_of_a_thousand_runs_raise_no_false_alarm() -> None:
    """One-shot voltage with up to 30 % ripple, 1 % current noise, growth to half, warming to 10 K without thermometer."""
    paused, rest = 0, SAMPLES_PER_BLOCK - 1
    for seed in range(1000):
        rng = random.Random(seed)
        ripple, growth, warming = rng.uniform(0.0, 0.3), rng.uniform(0.0, 0.5), rng.uniform(0.0, 10.0)
        ohm = rng.uniform(0.5, 3.0)
        trend, t, finding = Trend(0.0), 0.0, None
        # Block means are drawn directly: 32 one-shot readings of a sine at unrelated phases average to 1/sqrt(64).
        while t < 600.0 and finding is None:
            t += SAMPLES_PER_BLOCK * CONVERSION_S
            share = t / 600.0
            resistance = ohm / (math.sqrt(1.0 + growth * share) * (1.0 + 0.0133 * warming * share))
            voltage_v = 3.0 * resistance * (1.0 + ripple / 8.0 * rng.gauss(0, 1))
            current_a = 3.0 * (1.0 + 0.01 * rng.gauss(0, 1))
            trend, finding = follow(
                replace(trend, count=rest, current_sum_a=rest * current_a, voltage_sum_v=rest * voltage_v),
                Sample(t, current_a, voltage_v),
                lambda s=share, g=growth: Expected(1.0 + g * s, None),
                LIMITS,
            )
        paused += finding is not None
    assert paused == 0
