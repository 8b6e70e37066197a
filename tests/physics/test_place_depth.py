"""Depth at each place: formula, interval and interpolation, against direct calculation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from controller.physics.estimate import Belief, Component, depth_table
from controller.physics.evenness import with_evenness
from controller.physics.faraday import metal_named
from controller.physics.place_depth import (
    deepest_row,
    mean_ratio,
    mixture_quantile,
    place_depths,
)
from controller.physics.places import EVENNESS_GRID, Place
from controller.physics.relief import SteinerGrowth, removed_volume_mm3
from tests.kits.beliefs import prior_belief
from tests.kits.doubles import PLACES

SILVER = metal_named("fine-silver")
BELIEF = prior_belief(SILVER, 0.01, 0.01)
EVEN = with_evenness(BELIEF)
FINE = SteinerGrowth(712.0, 640.0)
MOST_COULOMBS = 3000.0
UNIFORM = Place("deepest-twentieth", 1.0, 1.0, 0.05, (1.0,) * len(EVENNESS_GRID))


def test_uniform_place_is_the_mean() -> None:
    """Where the current is uniform, a place is as deep as the mean, and as sure."""
    (place,) = place_depths(EVEN, FINE, SILVER.mm3_per_coulomb, (UNIFORM,), MOST_COULOMBS)
    mean = depth_table(BELIEF, FINE, SILVER.mm3_per_coulomb, 0.4)
    for charge in (300.0, 1000.0, 1800.0, 2500.0):
        here, there = place.at(charge), mean.at(charge)
        assert here.low_mm == pytest.approx(there.low_mm, rel=2e-3)
        assert here.high_mm == pytest.approx(there.high_mm, rel=2e-3)
        # The best estimate of a place is the median, of the mean a geometric mean.
        assert here.best_mm == pytest.approx(there.best_mm, rel=0.01)


@pytest.mark.parametrize("evenness", EVENNESS_GRID)
def test_known_evenness_scales_depth(evenness: float) -> None:
    """With everything known, the depth is the ratio times the mean depth of that charge."""
    sure = Belief((Component(1.2, 1.0, 0.0, 1e-4, evenness),))
    found = place_depths(sure, FINE, SILVER.mm3_per_coulomb, PLACES, MOST_COULOMBS)
    for it in found:
        ratio = it.place.ratios[EVENNESS_GRID.index(evenness)]
        mean_mm = it.at(1800.0).best_mm / ratio
        volume_mm3 = removed_volume_mm3(mean_mm, FINE, 1.2)
        assert volume_mm3 == pytest.approx(1800.0 * SILVER.mm3_per_coulomb, rel=2e-3)
        assert mean_ratio(sure, it.place) == pytest.approx(ratio, rel=1e-12)


def test_interval_against_draws() -> None:
    """2.5 %, 50 % and 97.5 % of many draws from the belief lie below low, best and high."""
    rng = np.random.default_rng(7)
    drawn = rng.choice(
        len(EVEN.components), 40_000, p=[component.weight for component in EVEN.components]
    )
    steps = rng.standard_normal(40_000)
    depths = np.linspace(1e-3, 1.0, 2000)
    volumes = {
        factor: np.array([removed_volume_mm3(d, FINE, factor) for d in depths])
        for factor in {component.etch_factor for component in EVEN.components}
    }
    found = place_depths(EVEN, FINE, SILVER.mm3_per_coulomb, PLACES, MOST_COULOMBS)
    mean_mm = np.empty(len(drawn))
    for i, (index, step) in enumerate(zip(drawn, steps, strict=True)):
        component = EVEN.components[index]
        volume = 1800.0 * SILVER.mm3_per_coulomb * math.exp(component.sd_ln * step)
        mean_mm[i] = np.interp(volume, volumes[component.etch_factor], depths)
    for it in found:
        ratios = np.array([it.place.ratio(c.evenness) for c in EVEN.components])
        true_mm, shown = mean_mm * ratios[drawn], it.at(1800.0)
        assert (true_mm < shown.low_mm).mean() == pytest.approx(0.025, abs=0.004)
        assert (true_mm < shown.best_mm).mean() == pytest.approx(0.5, abs=0.012)
        assert (true_mm < shown.high_mm).mean() == pytest.approx(0.975, abs=0.004)


def test_rows_reach_and_rise() -> None:
    """Every table reaches the charge asked for, and each row rises."""
    for it in place_depths(EVEN, FINE, SILVER.mm3_per_coulomb, PLACES, MOST_COULOMBS):
        for row in (it.table.low, it.table.best, it.table.high):
            assert row[0] == (0.0, 0.0)
            assert row[-1][0] >= MOST_COULOMBS
            charges, depths = zip(*row, strict=True)
            assert list(charges) == sorted(set(charges))
            assert list(depths) == sorted(set(depths))
        assert it.at(1500.0).low_mm < it.at(1500.0).best_mm < it.at(1500.0).high_mm


def test_deepest_row_is_the_maximum() -> None:
    found = place_depths(EVEN, FINE, SILVER.mm3_per_coulomb, PLACES, MOST_COULOMBS)
    row = deepest_row(found)
    for charge in (10.0, 777.0, 1800.0, 2990.0):
        high_mm = max(it.at(charge).high_mm for it in found)
        charges, depths = zip(*row, strict=True)
        assert np.interp(charge, charges, depths) == pytest.approx(high_mm, rel=2e-3)


@pytest.mark.parametrize("share", [0.025, 0.5, 0.975])
def test_quantile_of_a_mixture(share: float) -> None:
    """Also for parts far apart, as a root finder of SciPy has it."""
    mixture = [(0.0, 0.1, 0.6), (0.9, 0.15, 0.3), (3.0, 0.1, 0.1)]

    def off(x: float) -> float:
        return sum(w * norm.cdf((x - mean) / sd) for mean, sd, w in mixture) - share

    assert mixture_quantile(mixture, share) == pytest.approx(brentq(off, -2.0, 5.0), abs=1e-5)


def test_evenness_and_bite_go_together() -> None:
    """A belief in which both depend on each other is used as it is, not taken apart."""
    middle = PLACES[0]
    # A reading in the middle fixed the product: a low ratio goes with a high bite factor.
    tied = Belief(
        tuple(
            replace(
                component,
                mean_ln=-math.log(middle.ratio(component.evenness)),
                sd_ln=0.01,
                etch_factor=1.2,
            )
            for component in EVEN.components
        )
    )
    flat = SteinerGrowth(712.0)
    at_middle, *_ = place_depths(tied, flat, SILVER.mm3_per_coulomb, PLACES, MOST_COULOMBS)
    shown = at_middle.at(1800.0)
    assert shown.high_mm / shown.low_mm == pytest.approx(math.exp(2 * 1.96 * 0.01), rel=2e-3)
