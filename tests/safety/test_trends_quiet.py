"""No slow fault: settling, growth, warming, slopes, noise, ripple, a turned supply, odd means."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from controller.messages import Sample
from controller.safety.trends import SAMPLES_PER_BLOCK, Expected, Trend, follow
from controller.texts import Message
from tests.kits.trend_walk import (
    BLOCK_S,
    CONVERSION_S,
    LIMITS,
    NOTHING,
    RISEN,
    WITHIN_S,
    step_at,
    walk,
)


def test_steady_cell() -> None:
    """A steady cell neither warns nor pauses."""
    _, finding, warned = walk(lambda _t: (3.0, 3.0), 600.0)
    assert finding is None
    assert not any(warned)


def test_blind_time() -> None:
    """Nothing is judged in the blind time, so a step there is not seen."""
    _, finding, _ = walk(step_at(LIMITS.trend_blind_s - 5.0, 1.5), 300.0)
    assert finding is None


def test_single_odd_mean() -> None:
    """One odd mean neither warns nor pauses."""
    _, finding, warned = walk(
        lambda t: (3.0, 2.0 if 200.0 <= t < 200.0 + 0.9 * BLOCK_S else 3.0), 400.0, pieces=2
    )
    assert finding is None
    assert not any(warned)
    _, finding, warned = walk(
        lambda t: (3.0, 4.0 if 200.0 <= t < 200.0 + 0.9 * BLOCK_S else 3.0), 400.0, pieces=2
    )
    assert finding is None
    assert not any(warned)


@pytest.mark.parametrize("factor", [1.8, 1 / 1.8])
def test_turned_supply(factor: float) -> None:
    """A supply turned up or down is no leak and no lost piece.

    A cell of 1 V and 0.7 ohm: 1.8 times the current raises its conductance by 17 %, and its
    voltage too.
    """

    def reading(t: float) -> tuple[float, float]:
        current_a = 3.0 * (factor if t >= 200.0 else 1.0)
        return current_a, 1.0 + 0.7 * current_a

    before, after = reading(0.0), reading(300.0)
    assert abs(math.log(after[0] / after[1] * before[1] / before[0])) > math.log(1.15)
    limits = LIMITS.model_copy(update={"voltage_trip_fraction": 1.0})
    _, finding, warned = walk(reading, 400.0, pieces=2, limits=limits)
    assert finding is None
    assert not any(RISEN in warnings for warnings in warned)
    _, leak, _ = walk(
        lambda t: (3.0, reading(t)[1] * 3.0 / reading(t)[0]), 400.0, pieces=2, limits=limits
    )
    assert leak is not None


@pytest.mark.parametrize("settles_s", [5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 90.0, 180.0])
@pytest.mark.parametrize("change", [0.2, -0.2, 0.6, -0.6])
def test_settling_cell(settles_s: float, change: float) -> None:
    """ln conductance settles as exp(-t / settles_s) from the moment of on.

    Two pieces, so that both directions would pause.
    """
    limits = LIMITS.model_copy(update={"voltage_trip_fraction": 2.0})
    _, finding, _ = walk(
        lambda t: (3.0, 3.0 * math.exp(change * math.exp(-t / settles_s))),
        400.0,
        pieces=2,
        limits=limits,
    )
    assert finding is None


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_opposite_slope(way: float) -> None:
    """8 % in ln against a slope of 6 % a minute is below 10 %, whatever the slope."""

    def reading(t: float) -> tuple[float, float]:
        return 3.0, 3.0 * math.exp(
            -way * ((0.08 if t >= 200.0 else 0.0) - 0.06 * min(t, 200.0) / 60.0)
        )

    _, finding, _ = walk(reading, 300.0, pieces=2)
    assert finding is None


def test_gathering_climb() -> None:
    """ln conductance rises by a t^2 / 2: at 400 s about 31 % in 37 s.

    The slope before explains all but 5 % of it.
    """
    _, finding, _ = walk(
        lambda t: (3.0, 3.0 * math.exp(-0.5 * 3e-5 * max(0.0, t - 100.0) ** 2)), 400.0
    )
    assert finding is None


def test_growth_and_warming() -> None:
    """Half more area and 10 K over the run neither pause nor warn.

    Fine work in constant voltage does this (common practice, no source).
    """

    def reading(t: float) -> tuple[float, float]:
        return 3.0, 3.0 / (math.sqrt(1.0 + 0.5 * t / 600.0) * (1.0 + 0.0133 * 10.0 * t / 600.0))

    _, finding, warned = walk(
        reading, 600.0, lambda t: Expected(1.0 + 0.5 * t / 600.0, 10.0 * t / 600.0)
    )
    assert finding is None
    assert not any(warned)


@pytest.mark.parametrize(
    ("rise", "rises_s", "back_s"), [(0.15, 60.0, 300.0), (0.12, 300.0, 550.0), (0.15, 1.0, 260.0)]
)
def test_returning_change(rise: float, rises_s: float, back_s: float) -> None:
    """When a film is wiped off or stirring is on again, the old conductance comes back.

    The warning asks for both.
    """

    def reading(t: float) -> tuple[float, float]:
        is_there = 200.0 <= t < back_s
        return 3.0, 3.0 * (1.0 + (rise * min(1.0, (t - 200.0) / rises_s) if is_there else 0.0))

    _, finding, warned = walk(reading, back_s + 60.0)
    assert finding is None
    assert rises_s > 100.0 or any(RISEN in warnings for warnings in warned)
    _, finding, _ = walk(
        lambda t: (3.0, reading(t)[1] / (1.12 if t >= back_s else 1.0)), back_s + 60.0
    )
    assert finding is not None, "what goes beyond is one"


def test_odd_mean_of_the_past() -> None:
    """Two odd means apart do not matter either: the past is compared in threes."""

    def reading(t: float) -> tuple[float, float]:
        is_odd = (round(t / CONVERSION_S) - 1) // SAMPLES_PER_BLOCK in (68, 72)
        return 3.0, 3.0 / (1.5 if is_odd else 1.12 if t >= 200.0 else 1.0)

    _, finding, _ = walk(reading, 230.0)
    assert finding is not None
    assert finding.value == pytest.approx(11.0, abs=1.0), "a mean straddles the step"


def test_piece_back_in_place() -> None:
    """Somebody holds the plate nearer or stirs by hand for a while.

    The conductance rises by 15 % without a jump, then falls back at once.
    """

    def reading(t: float) -> tuple[float, float]:
        return 3.0, 3.0 / (
            1.0 + (0.15 * min(1.0, (t - 200.0) / 120.0) if 200.0 <= t < 380.0 else 0.0)
        )

    _, finding, _ = walk(reading, 440.0, pieces=2)
    assert finding is None


@pytest.mark.parametrize(("lasting_s", "fraction"), [(5.0, 0.06), (15.0, 0.04), (40.0, 0.03)])
def test_slow_wobble_raises_limit(lasting_s: float, fraction: float) -> None:
    """Noise whose correlation falls to 1/e within lasting_s: a swaying plate, pockets of gas.

    Two pieces, 20 minutes.
    """
    keep = math.exp(-BLOCK_S / lasting_s)
    for seed in range(16):
        rng = random.Random(seed)
        trend, t, wobble, rest = Trend(0.0, 2), 0.0, rng.gauss(0.0, fraction), SAMPLES_PER_BLOCK - 1
        while t < 1200.0:
            t += BLOCK_S
            wobble = keep * wobble + math.sqrt(1.0 - keep * keep) * rng.gauss(0.0, fraction)
            voltage_v = 3.0 * math.exp(wobble)
            full = replace(
                trend, count=rest, current_sum_a=rest * 3.0, voltage_sum_v=rest * voltage_v
            )
            trend, finding = follow(full, Sample(t, 3.0, voltage_v), lambda: NOTHING, LIMITS)
            assert finding is None, f"seed {seed} at {t:.0f} s: {finding}"


def test_turned_supply_hides_no_leak() -> None:
    """A cell of 1 V and 0.7 ohm, and a leak 30 s after the supply was turned up.

    The leak takes a sixth off the resistance, 14 % of conductance.
    """

    def reading(t: float, leaks_at_s: float) -> tuple[float, float]:
        current_a = 3.9 if t >= 200.0 else 3.0
        return current_a, 1.0 + 0.7 / (1.2 if t >= leaks_at_s else 1.0) * current_a

    at_s, finding, _ = walk(lambda t: reading(t, 230.0), 400.0)
    assert finding is not None
    assert at_s - 230.0 <= 2.0 * WITHIN_S
    _, finding, warned = walk(lambda t: reading(t, math.inf), 400.0)
    assert finding is None
    assert not any(Message("guards.warning.drift") in warnings for warnings in warned)


def test_quick_look_and_dead_cell() -> None:
    """Neither sample enters the means."""
    trend = Trend(0.0)
    after, finding = follow(trend, Sample(1.0, 9.0, 9.0, averaged=False), lambda: NOTHING, LIMITS)
    assert after is trend
    assert finding is None
    _, finding, warned = walk(lambda t: (0.0, 0.0) if 200 < t < 250 else (3.0, 3.0), 400.0)
    assert finding is None
    assert not any(warned)


def test_quiet_runs_without_alarm() -> None:
    """No false alarm in 100 runs from ripple, noise, growth and warming; `make study` draws 3,000.

    One-shot voltage with up to 30 % ripple, 1 % current noise, growth to half, warming to 10 K
    without a thermometer.
    """
    paused, rest = 0, SAMPLES_PER_BLOCK - 1
    for seed in range(100):
        rng = random.Random(seed)
        ripple, growth, warming = (
            rng.uniform(0.0, 0.3),
            rng.uniform(0.0, 0.5),
            rng.uniform(0.0, 10.0),
        )
        ohm = rng.uniform(0.5, 3.0)
        trend, t, finding = Trend(0.0), 0.0, None
        # Block means are drawn directly: 32 one-shot readings of a sine at unrelated phases
        # average to 1/sqrt(64).
        while t < 600.0 and finding is None:
            t += SAMPLES_PER_BLOCK * CONVERSION_S
            share = t / 600.0
            resistance = ohm / (math.sqrt(1.0 + growth * share) * (1.0 + 0.0133 * warming * share))
            voltage_v = 3.0 * resistance * (1.0 + ripple / 8.0 * rng.gauss(0, 1))
            current_a = 3.0 * (1.0 + 0.01 * rng.gauss(0, 1))
            trend, finding = follow(
                replace(
                    trend,
                    count=rest,
                    current_sum_a=rest * current_a,
                    voltage_sum_v=rest * voltage_v,
                ),
                Sample(t, current_a, voltage_v),
                lambda s=share, g=growth: Expected(1.0 + g * s, None),
                LIMITS,
            )
        paused += finding is not None
    assert paused == 0
