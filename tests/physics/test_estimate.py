"""Depth and its interval against brute force.

Brute force is a numerical mixture, and thousands of seeded draws from the stated priors.
Coverage under the stated priors only shows that the arithmetic is right. One test measures it
under wrong priors.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import norm

from controller.physics.estimate import Belief, Component, DepthTable, depth_table
from controller.physics.faraday import METALS, Metal
from controller.physics.relief import Growth, SteinerGrowth, relief_table
from tests.kits import beliefs
from tests.kits.beliefs import prior_belief

AREA_SD, SHUNT_SD = 0.03, 0.01
DRAWS = 20_000
WIDE = SteinerGrowth(767.0)
FINE = SteinerGrowth(767.0, 2.0 * 767.0)
"""Edge length over area 2 per mm: lines of about a millimetre."""
SILVER = METALS["fine-silver"]

Floats = npt.NDArray[np.float64]


def table_for(metal: Metal, growth: Growth, deepest_mm: float = 0.4) -> DepthTable:
    return depth_table(
        prior_belief(metal, AREA_SD, SHUNT_SD), growth, metal.mm3_per_coulomb, deepest_mm
    )


def true_depths_mm(
    charge_coulombs: float,
    growth: SteinerGrowth,
    metal: Metal,
    ln_bite: Floats,
    ln_etch_factor: Floats,
) -> Floats:
    """Solve A d + (pi/4) P d^2/e + (2/3) pi d^3/e^2 = b Q k for d by Newton's method.

    It does not use the tables of the code.
    """
    volume_mm3 = np.exp(ln_bite) * charge_coulombs * metal.mm3_per_coulomb
    e = np.exp(ln_etch_factor)
    a2 = math.pi / 4.0 * growth.edge_mm / e
    a3 = (2.0 / 3.0 * math.pi / e**2) if growth.edge_mm else 0.0 * e
    d = volume_mm3 / growth.open_area_mm2
    for _ in range(60):
        d = d - (growth.open_area_mm2 * d + a2 * d**2 + a3 * d**3 - volume_mm3) / (
            growth.open_area_mm2 + 2 * a2 * d + 3 * a3 * d**2
        )
    return np.asarray(d)


def coverage_fraction(
    metal: Metal,
    growth: SteinerGrowth,
    *,
    spread: float = 1.0,
    heavy: bool = False,
    etch_factor_shift_ln: float = 0.0,
    seed: int = 1,
) -> float:
    """Return the share of simulated runs whose true depth lies in the interval shown at 0.25 mm."""
    random = np.random.default_rng(seed)
    table = table_for(metal, growth)
    charge_coulombs = table.charge_for_depth_coulombs(0.25)

    def noise() -> Floats:
        # Student's t with 3 degrees of freedom scaled to the same standard deviation, or a normal.
        drawn = (
            random.standard_t(3, DRAWS) / math.sqrt(3.0) if heavy else random.standard_normal(DRAWS)
        )
        return np.asarray(drawn)

    ln_bite = (
        metal.bath_sd * noise()
        + spread * metal.run_sd * noise()
        + AREA_SD * random.standard_normal(DRAWS)
        + SHUNT_SD * random.standard_normal(DRAWS)
    )
    ln_etch = (
        math.log(metal.etch_factor)
        + etch_factor_shift_ln
        + metal.etch_factor_sd * random.standard_normal(DRAWS)
    )
    true_mm = true_depths_mm(charge_coulombs, growth, metal, ln_bite, ln_etch)
    shown = table.at(charge_coulombs)
    return float(np.mean((shown.low_mm <= true_mm) & (true_mm <= shown.high_mm)))


@pytest.mark.parametrize("name", ["fine-silver", "copper", "brass-70-30"])
@pytest.mark.parametrize("growth", [WIDE, FINE], ids=["wide", "fine"])
def test_interval_covers_the_truth(name: str, growth: SteinerGrowth) -> None:
    """The interval covers the true depth in 93 to 97 % of the runs."""
    # 20,000 draws: the sampling error of 95 % is 0.15 %.
    assert 0.94 <= coverage_fraction(METALS[name], growth) <= 0.96


@pytest.mark.parametrize(
    ("wrong", "wide_fraction", "fine_fraction"),
    [
        ({"spread": 2.0}, 0.887, 0.908),
        ({"heavy": True}, 0.957, 0.955),
        ({"etch_factor_shift_ln": math.log(0.7 / 1.2)}, 0.950, 0.809),
        ({"etch_factor_shift_ln": math.log(2.0 / 1.2)}, 0.950, 0.892),
    ],
    ids=[
        "doubled run-to-run spread",
        "heavy tails",
        "etch factor 0.7 instead of 1.2",
        "etch factor 2 instead of 1.2",
    ],
)
def test_coverage_under_wrong_priors(
    wrong: dict[str, Any], wide_fraction: float, fine_fraction: float
) -> None:
    # How far the promised 95 % falls when a prior is wrong.
    # On a wide field the etch factor does not matter.
    assert coverage_fraction(SILVER, WIDE, **wrong) == pytest.approx(wide_fraction, abs=0.01)
    assert coverage_fraction(SILVER, FINE, **wrong) == pytest.approx(fine_fraction, abs=0.01)


@pytest.mark.parametrize("growth", [WIDE, FINE], ids=["wide", "fine"])
@pytest.mark.parametrize("depth_mm", [0.05, 0.25])
def test_interval_against_brute_force(growth: SteinerGrowth, depth_mm: float) -> None:
    """The ends of the interval are the quantiles of a mixture worked out by brute force."""
    metal = METALS["copper"]
    table = table_for(metal, growth)
    charge_coulombs = table.charge_for_depth_coulombs(depth_mm)
    # P(true depth <= d) is the mean over the etch factor of Phi((ln V(d, e) - ln(k Q)) / sd),
    # on a fine grid of etch factors.
    sd_ln = math.sqrt(metal.bath_sd**2 + metal.run_sd**2 + AREA_SD**2 + SHUNT_SD**2)
    z = np.linspace(-6.0, 6.0, 4001)
    weight = norm.pdf(z) / norm.pdf(z).sum()
    e = metal.etch_factor * np.exp(metal.etch_factor_sd * z)

    def share_below(d: float) -> float:
        cubic = 2.0 / 3.0 * math.pi * d**3 / e**2 if growth.edge_mm else 0.0
        volume = growth.open_area_mm2 * d + math.pi / 4.0 * growth.edge_mm * d**2 / e + cubic
        return float(
            np.sum(
                weight
                * norm.cdf(np.log(volume / (metal.mm3_per_coulomb * charge_coulombs)) / sd_ln)
            )
        )

    shown = table.at(charge_coulombs)
    for shown_mm, share in ((shown.low_mm, 0.025), (shown.high_mm, 0.975)):
        exact_mm = brentq(lambda d, share=share: share_below(d) - share, 1e-4, 2.0, xtol=1e-10)
        assert shown_mm == pytest.approx(exact_mm, rel=0.005), (
            "fifteen etch factors and 60 steps cost under half a percent"
        )


@pytest.mark.parametrize("edge_per_area_per_mm", [0.5, 2.0, 6.0])
def test_fifteen_etch_factors_suffice(
    monkeypatch: pytest.MonkeyPatch, edge_per_area_per_mm: float
) -> None:
    """Fifteen etch factors put the ends of the interval within 1 % of those of 101."""
    growth = SteinerGrowth(500.0, 500.0 * edge_per_area_per_mm, 20)
    few = table_for(SILVER, growth)
    monkeypatch.setattr(beliefs, "_ETCH_FACTORS", 101)
    many = table_for(SILVER, growth)
    for depth_mm in (0.05, 0.15, 0.25, 0.4):
        charge_coulombs = few.charge_for_depth_coulombs(depth_mm)
        assert few.at(charge_coulombs).low_mm == pytest.approx(
            many.at(charge_coulombs).low_mm, rel=0.01
        )
        assert few.at(charge_coulombs).high_mm == pytest.approx(
            many.at(charge_coulombs).high_mm, rel=0.01
        )
        assert few.at(charge_coulombs).best_mm == pytest.approx(
            many.at(charge_coulombs).best_mm, rel=1e-6
        )


def test_best_estimate_at_prior_medians() -> None:
    """The best estimate is the depth that the medians of the priors give."""
    table = table_for(SILVER, FINE)
    charge_coulombs = table.charge_for_depth_coulombs(0.25)
    exact_mm = true_depths_mm(
        charge_coulombs, FINE, SILVER, np.zeros(1), np.full(1, math.log(1.2))
    )[0]
    assert exact_mm == pytest.approx(0.25, rel=1e-5)


def test_common_practice_prior_widths() -> None:
    # Silver on a wide field: sd of ln b = sqrt(0.10^2 + 0.05^2 + 0.03^2 + 0.01^2),
    # so 95 % is a factor of 1.256 either way.
    shown = table_for(SILVER, WIDE).at(1800.9)
    factor = math.exp(1.959964 * math.sqrt(0.10**2 + 0.05**2 + 0.03**2 + 0.01**2))
    assert shown.low_mm == pytest.approx(0.25 / factor, rel=1e-3)
    assert shown.high_mm == pytest.approx(0.25 * factor, rel=1e-3)


def test_each_uncertainty_widens_interval() -> None:
    """Each part of the uncertainty budget widens the interval."""

    def width_ln(metal: Metal, area_sd: float, shunt_sd: float) -> float:
        shown = depth_table(
            prior_belief(metal, area_sd, shunt_sd), WIDE, metal.mm3_per_coulomb, 0.4
        ).at(1800.0)
        return math.log(shown.high_mm / shown.low_mm)

    base = width_ln(SILVER, 0.03, 0.01)
    assert width_ln(SILVER, 0.10, 0.01) > base * 1.1
    assert width_ln(SILVER, 0.03, 0.10) > base * 1.1
    assert width_ln(replace(SILVER, bath_sd=0.2), 0.03, 0.01) > base * 1.5
    assert width_ln(replace(SILVER, run_sd=0.2), 0.03, 0.01) > base * 1.5


def test_missing_charge_widens_upper_bound() -> None:
    """Missing charge widens the upper bound only."""
    table = table_for(SILVER, FINE)
    sure, unsure = table.at(1000.0), table.at(1000.0, 50.0)
    assert (unsure.best_mm, unsure.low_mm) == (sure.best_mm, sure.low_mm)
    assert unsure.high_mm == table.at(1050.0).high_mm > sure.high_mm


def test_no_charge_no_depth() -> None:
    """Without charge the depth is 0, and so are both bounds."""
    shown = table_for(SILVER, FINE).at(0.0)
    assert (shown.low_mm, shown.best_mm, shown.high_mm) == (0.0, 0.0, 0.0)


@settings(max_examples=25, deadline=None)
@given(
    metal=st.sampled_from(list(METALS.values())),
    area_mm2=st.floats(1.0, 5e4),
    edge_per_area_per_mm=st.floats(0.0, 8.0),
    deepest_mm=st.floats(0.05, 1.0),
)
def test_table_rows_rise_in_order(
    metal: Metal, area_mm2: float, edge_per_area_per_mm: float, deepest_mm: float
) -> None:
    """The rows of the table rise, stay in order and reach the end."""
    table = table_for(metal, SteinerGrowth(area_mm2, area_mm2 * edge_per_area_per_mm), deepest_mm)
    most_coulombs = table.best[-1][0]
    assert table.best[-1][1] == pytest.approx(deepest_mm)
    assert min(table.low[-1][0], table.high[-1][0]) >= most_coulombs, (
        "both bounds reach the end of the best row"
    )
    before = table.at(0.0)
    for i in range(1, 51):
        shown = table.at(most_coulombs * i / 50)
        assert shown.low_mm < shown.best_mm < shown.high_mm
        assert shown.low_mm > before.low_mm
        assert shown.best_mm > before.best_mm
        assert shown.high_mm > before.high_mm
        before = shown


def test_prior_etch_factors() -> None:
    """The prior is equally likely etch factors around the metal's median."""
    belief = prior_belief(SILVER, AREA_SD, SHUNT_SD)
    assert sum(c.weight for c in belief.components) == pytest.approx(1.0)
    assert belief.best_etch_factor == pytest.approx(1.2)
    assert belief.best_bite_factor == pytest.approx(1.0)
    logs = [math.log(c.etch_factor / 1.2) for c in belief.components]
    assert logs == sorted(logs)
    # Scaled to the variance of the normal distribution that they represent.
    assert np.std(logs) == pytest.approx(0.35, rel=1e-6)


def test_etch_factor_range() -> None:
    """The range of the etch factor is from its 10 % to its 90 % point."""
    low, high = prior_belief(SILVER, AREA_SD, SHUNT_SD).etch_factor_range()
    # Fifteen points scaled to the normal's variance: 2 % to the safe side.
    assert low == pytest.approx(1.2 * math.exp(0.35 * norm.ppf(0.1)), rel=0.025)
    assert high == pytest.approx(1.2 * math.exp(0.35 * norm.ppf(0.9)), rel=0.025)
    certain = Belief((Component(0.9, 1.0, 0.0, 0.1),))
    assert certain.etch_factor_range() == (0.9, 0.9)


def test_low_bite_factor() -> None:
    """The low bite factor is the 2.5 % point of the mixture."""
    belief = Belief((Component(1.0, 0.3, 0.1, 0.05), Component(1.5, 0.7, -0.1, 0.2)))

    def share_below(ln_b: float) -> float:
        return float(0.3 * norm.cdf((ln_b - 0.1) / 0.05) + 0.7 * norm.cdf((ln_b + 0.1) / 0.2))

    exact_ln = brentq(lambda x: share_below(x) - 0.025, -3.0, 1.0)
    assert math.log(belief.low_bite_factor()) == pytest.approx(exact_ln, abs=1e-6)
    assert belief.best_bite_factor == pytest.approx(math.exp(0.3 * 0.1 - 0.7 * 0.1))


def test_learned_bite_factor_moves_depth() -> None:
    prior = prior_belief(SILVER, AREA_SD, SHUNT_SD)
    learned = Belief(tuple(replace(c, mean_ln=math.log(0.9), sd_ln=0.02) for c in prior.components))
    before = depth_table(prior, WIDE, SILVER.mm3_per_coulomb, 0.4).at(1800.0)
    after = depth_table(learned, WIDE, SILVER.mm3_per_coulomb, 0.4).at(1800.0)
    assert after.best_mm == pytest.approx(0.9 * before.best_mm, rel=1e-6)
    factor = math.exp(1.959964 * 0.02)
    assert after.low_mm == pytest.approx(0.9 * before.best_mm / factor, rel=1e-3)
    assert after.high_mm == pytest.approx(0.9 * before.best_mm * factor, rel=1e-3)


def test_best_row_is_the_relief() -> None:
    """The best row is the relief at the best etch factor."""
    belief = prior_belief(SILVER, AREA_SD, SHUNT_SD)
    expected = relief_table(FINE, belief.best_etch_factor, 0.4)
    table = depth_table(belief, FINE, SILVER.mm3_per_coulomb, 0.4)
    for (charge_coulombs, depth_mm), (row_depth_mm, volume_mm3) in zip(
        table.best, expected.pairs, strict=True
    ):
        assert depth_mm == row_depth_mm
        assert charge_coulombs == pytest.approx(volume_mm3 / SILVER.mm3_per_coulomb)


def test_depth_grows_past_table_end() -> None:
    """The depth goes on growing past the end of the table."""
    table = table_for(SILVER, WIDE)
    at_the_end = table.at(table.best[-1][0])
    past_it = table.at(2.0 * table.best[-1][0])
    assert past_it.best_mm > at_the_end.best_mm
    assert past_it.high_mm > 1.0, (
        "twice the charge of 0.4 mm on a wide field, and 1.256 times that at the upper bound"
    )
