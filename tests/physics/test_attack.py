"""How fast the acid bites by itself: rate laws, strength, temperature, and time without current."""

from __future__ import annotations

import math

import pytest

from controller.errors import RefusedError
from controller.messages import RunState
from controller.physics.attack import (
    COPPER_LAW,
    HAND_ETCHING_MOL_PER_L,
    SILVER_LAW,
    UNKNOWN_SD_LN,
    UPPER_SIGMA,
    WEAK_MOL_PER_L,
    Soak,
    expected_rate,
)
from controller.physics.faraday import METALS
from controller.physics.nitric_acid import (
    acid_mol_per_l,
    mol_per_l_of_percent,
    nitric_density_g_per_ml,
)
from tests.kits.doubles import make_bench

COPPER, SILVER = METALS["copper"], METALS["fine-silver"]


# --- strength -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("percent", "mol_per_l", "tolerance"),
    [
        (69.0, 15.44, 0.01),  # NCERT Chemistry XI, exercise 1.6: 1.41 g/mL, 15.44 mol/L
        (70.0, 15.70, 0.01),  # a laboratory's table: 1.413 g/mL at 25 degC, 15.70 mol/L
        (10.0, 1.673, 0.002),  # Perry, 6th edition: 1.0543 g/mL at 20 degC
        (68.0, 15.16, 0.005),  # Perry, 6th edition: 1.4048 g/mL at 20 degC
    ],
)
def test_strength_of_bottles(percent: float, mol_per_l: float, tolerance: float) -> None:
    assert mol_per_l_of_percent(percent) == pytest.approx(mol_per_l, rel=tolerance)


@pytest.mark.parametrize(
    ("molality", "density_g_per_ml"),
    [(1.0, 1.02912), (2.0, 1.05915), (3.0, 1.08718), (4.0, 1.11316), (6.0, 1.15873)],
)
def test_density_against_other_table(molality: float, density_g_per_ml: float) -> None:
    """Densities at 25 degC against molality. Source: a table of estimated values for HNO3(aq).

    The bath is 20 degC: up to 0.4 % denser.
    """
    percent = 100.0 * molality * 0.063013 / (1.0 + molality * 0.063013)
    ratio = nitric_density_g_per_ml(percent) / density_g_per_ml
    assert 1.0 < ratio < 1.005


def test_parts_of_water() -> None:
    """110 mL of 68 % acid and 890 mL of water make 10 % acid.

    Source: a worked example from Perry's densities, 1.4048 and 1.0543 g/mL: (105.4 / 955.3) L.
    It takes volumes to add up, which costs 1 %.
    """
    assert acid_mol_per_l(890.0 / 110.0, 68.0) == pytest.approx(1.673, rel=0.01)
    assert acid_mol_per_l(10.0) == pytest.approx(WEAK_MOL_PER_L, rel=0.03)
    assert acid_mol_per_l(3.0) == pytest.approx(HAND_ETCHING_MOL_PER_L, rel=0.02)


@pytest.mark.parametrize(
    ("water_parts", "percent", "field"),
    [
        (0.0, 65.0, "water_parts"),
        (201.0, 65.0, "water_parts"),
        (math.nan, 65.0, "water_parts"),
        (10.0, 4.9, "bottle_percent"),
        (10.0, 100.1, "bottle_percent"),
        (10.0, math.nan, "bottle_percent"),
    ],
)
def test_impossible_strength_refused(water_parts: float, percent: float, field: str) -> None:
    with pytest.raises(RefusedError) as caught:
        acid_mol_per_l(water_parts, percent)
    assert caught.value.field == field
    assert str(caught.value)


# --- rates ----------------------------------------------------------------------------------------


def test_copper_law_as_published() -> None:
    """Order 2.71 in acid and 41.43 kJ/mol.

    Source: semi-empirical model of a rotating copper disc in nitric acid, C^2.71 exp(-4983/T).
    """
    doubled = COPPER_LAW.at(2.0, 20.0) / COPPER_LAW.at(1.0, 20.0)
    assert doubled == pytest.approx(2.0**2.71)
    warmed = COPPER_LAW.at(2.0, 50.0) / COPPER_LAW.at(2.0, 25.0)
    assert warmed == pytest.approx(math.exp(4983.0 / 298.15 - 4983.0 / 323.15), rel=1e-3)


def test_silver_law_as_published() -> None:
    """Order two up to 4 mol/L, one above; 12.1 kcal/mol, which doubles the rate for each 10 K.

    Source: Martinez et al., Metallurgical Transactions B 24 (1993) 827-837.
    """
    assert SILVER_LAW.at(2.0, 20.0) / SILVER_LAW.at(1.0, 20.0) == pytest.approx(4.0)
    assert SILVER_LAW.at(8.0, 20.0) / SILVER_LAW.at(4.0, 20.0) == pytest.approx(2.0)
    assert SILVER_LAW.at(1.0, 30.0) / SILVER_LAW.at(1.0, 20.0) == pytest.approx(2.0, rel=0.02)


def test_rates_meet_the_trade() -> None:
    """Hand etching takes 1 to 5 um/min, a weak bath 0.05 to 0.2 (from memory, trade)."""
    hand = expected_rate(COPPER, acid_mol_per_l(3.0), 20.0)
    assert hand.um_per_min == pytest.approx(math.sqrt(5.0), rel=0.05)
    assert hand.at_sigma(-UPPER_SIGMA) < 1.0 < 5.0 < hand.at_sigma(UPPER_SIGMA)
    weak = expected_rate(COPPER, acid_mol_per_l(10.0), 20.0)
    assert 0.05 < weak.um_per_min < 0.2
    silver = expected_rate(SILVER, acid_mol_per_l(10.0), 20.0)
    assert silver.um_per_min == pytest.approx(0.05, rel=0.05)
    sterling = expected_rate(METALS["sterling-silver"], acid_mol_per_l(10.0), 20.0)
    assert sterling == silver
    assert expected_rate(METALS["brass-70-30"], 2.0) == expected_rate(COPPER, 2.0)


def test_unknown_acid_is_wide() -> None:
    """Without a card the guess is the metal's, from a weak bath to hand etching."""
    unknown = expected_rate(COPPER)
    assert (unknown.um_per_min, unknown.sd_ln, unknown.source) == (0.2, UNKNOWN_SD_LN, "metal")
    assert unknown.at_sigma(-UPPER_SIGMA) < 0.05
    assert unknown.at_sigma(UPPER_SIGMA) > 1.0
    known = expected_rate(COPPER, 1.35)
    assert known.source == "strength"
    assert known.sd_ln < unknown.sd_ln
    assert expected_rate(COPPER, 1.35, 20.0).sd_ln < known.sd_ln
    assert expected_rate(COPPER, None, 30.0).um_per_min > 0.2
    with pytest.raises(RefusedError, match="must lie between"):
        expected_rate(COPPER, 1.35, 95.0)


# --- without current ------------------------------------------------------------------------------


def test_soak_time_adds_up() -> None:
    """The greatest rate times the time in the bath."""
    soak = Soak(0.2)
    assert soak.upper_mm(1000.0) == 0.0
    soak.begin(1000.0)
    soak.begin(1030.0)
    assert soak.seconds(1060.0) == 60.0
    assert soak.upper_mm(1060.0) == pytest.approx(0.0002)
    soak.end(1120.0)
    soak.end(1500.0)
    assert soak.seconds(9999.0) == 120.0
    soak.begin(2000.0)
    assert soak.seconds(2060.0) == 180.0


def test_silver_soaks_slower_than_copper() -> None:
    assert SILVER.soak_um_per_min == METALS["sterling-silver"].soak_um_per_min == 0.05
    assert COPPER.soak_um_per_min == METALS["brass-70-30"].soak_um_per_min == 0.2


def test_pause_widens_upper_bound() -> None:
    """A pause in the bath widens the upper bound of the run and nothing else."""
    bench = make_bench()
    bench.running(for_s=100.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run = bench.supervisor.run
    assert run is not None
    before = run.depth(bench.clock.monotonic_s())
    bench.run_for(600.0)
    after = run.depth(bench.clock.monotonic_s())
    assert (after.best_mm, after.low_mm) == (before.best_mm, before.low_mm)
    most_um_per_min = 0.05 * math.exp(1.959964 * UNKNOWN_SD_LN)
    assert after.high_mm - before.high_mm == pytest.approx(most_um_per_min / 100.0, rel=0.01), (
        "ten minutes at the 97.5 % point of silver's rate"
    )
    bench.supervisor.resume()
    bench.until(RunState.RUNNING, within_s=5.0)
    resumed_s = run.soak.seconds(bench.clock.monotonic_s())
    bench.run_for(30.0)
    assert run.soak.seconds(bench.clock.monotonic_s()) == resumed_s, (
        "under current the plate does not soak"
    )


def test_every_pause_counts() -> None:
    """The finished pauses add up, and so does what each of them may have taken."""
    soak = Soak(0.8)
    for began_s, ended_s in ((100.0, 160.0), (300.0, 420.0), (1000.0, 1180.0)):
        soak.begin(began_s)
        soak.end(ended_s)
    assert soak.total_s == 360.0
    assert soak.seconds(5000.0) == 360.0
    assert soak.upper_mm(5000.0) == pytest.approx(0.0048), "six minutes at 0.8 um/min"
