"""Learning from gauge and scale: Bayes against brute force, coverage of the interval, what each kind of reading can know."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from controller.errors import RefusedError
from controller.physics.estimate import Belief
from controller.physics.faraday import METALS, removed_mass_g
from controller.physics.learning import (
    GaugeReading,
    Learner,
    PastRun,
    Reading,
    Weighing,
    learn_from_bath,
    new_learner,
)
from controller.physics.relief import Growth, SteinerGrowth, removed_volume_mm3

SILVER = METALS["fine-silver"]
WIDE = SteinerGrowth(767.0)
FINE = SteinerGrowth(767.0, 1534.0)
AREA_SD, SHUNT_SD = 0.03, 0.01
CHARGE = 1800.0
Z95 = NormalDist().inv_cdf(0.975)


def cdf(belief: Belief, growth: Growth, depth_mm: float, charge_coulombs: float) -> float:
    """P(depth <= depth_mm): the interval covers a truth whose value here lies between 2.5 and 97.5 %."""
    reached = 0.0
    for c in belief.components:
        volume = removed_volume_mm3(depth_mm, growth, c.etch_factor)
        reached += c.weight * NormalDist(c.mean_ln, c.sd_ln).cdf(
            math.log(volume / (SILVER.mm3_per_coulomb * charge_coulombs))
        )
    return reached


def depth_for(growth: Growth, etch_factor: float, volume_mm3: float) -> float:
    low, high = 0.0, 4.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (
            (middle, high)
            if removed_volume_mm3(middle, growth, etch_factor) < volume_mm3
            else (low, middle)
        )
    return 0.5 * (low + high)


def gauge(
    depth_mm: float, charge: float = CHARGE, spread_mm: float = 0.004, **changes: object
) -> GaugeReading:
    spots = (depth_mm - spread_mm, depth_mm, depth_mm + spread_mm)
    return GaugeReading(charge, spots, resolution_mm=0.001, **changes)  # type: ignore[arg-type]


def fresh() -> Learner:
    return new_learner(SILVER, AREA_SD, SHUNT_SD)


def test_without_a_reading_the_belief_is_the_prior() -> None:
    learner = fresh()
    assert learner.bite_factor()[0] == 1.0
    # Bath 0.10 and run 0.05 (common practice, no source), shunt 0.01; the area does not enter the chemistry.
    assert learner.bite_factor()[1] == pytest.approx(math.sqrt(0.10**2 + 0.05**2 + 0.01**2))
    assert learner.belief().best_etch_factor == pytest.approx(1.2)


@pytest.mark.parametrize("growth", [WIDE, FINE], ids=["wide", "fine"])
def test_a_reading_agrees_with_brute_force_on_a_grid(growth: Growth) -> None:
    """Posterior of (z = ln bite over area, ln etch factor) by numerical integration of prior times likelihood."""
    reading = gauge(0.22)
    mean_mm, error_mm = reading.mean_depth()
    posterior = fresh().learn(reading, growth)
    z_sd = math.sqrt(0.10**2 + 0.05**2 + AREA_SD**2 + SHUNT_SD**2)
    z = np.linspace(-6 * z_sd, 6 * z_sd, 1201)
    steps = np.linspace(-4.0, 4.0, 161)
    weight_sum, best_sum, square_sum, factor_sum = 0.0, 0.0, 0.0, 0.0
    for step in steps:
        etch_factor = 1.2 * math.exp(0.35 * step)
        table = np.linspace(1e-4, 0.8, 600)
        volumes = np.array([removed_volume_mm3(d, growth, etch_factor) for d in table])
        depths = np.interp(np.exp(z) * SILVER.mm3_per_coulomb * CHARGE, volumes, table)
        density = np.exp(
            -0.5 * (z / z_sd) ** 2 - 0.5 * step**2 - 0.5 * ((mean_mm - depths) / error_mm) ** 2
        )
        weight_sum += density.sum()
        best_sum += (density * z).sum()
        square_sum += (density * z * z).sum()
        factor_sum += density.sum() * math.log(etch_factor)
    expected_mean = best_sum / weight_sum
    expected_sd = math.sqrt(square_sum / weight_sum - expected_mean**2)
    components = posterior.belief().components
    mean = sum(c.weight * c.mean_ln for c in components)
    sd = math.sqrt(sum(c.weight * (c.sd_ln**2 + (c.mean_ln - mean) ** 2) for c in components))
    # 15 etch factors and a linearised volume against the grid.
    assert mean == pytest.approx(expected_mean, abs=0.006)
    assert sd == pytest.approx(expected_sd, rel=0.06)
    assert math.log(posterior.belief().best_etch_factor) == pytest.approx(
        factor_sum / weight_sum, abs=0.02
    )


def test_a_weighing_teaches_the_chemistry_and_leaves_geometry_alone() -> None:
    lost_g = 0.93 * removed_mass_g(CHARGE, SILVER)
    learned = fresh().learn(Weighing(CHARGE, lost_g), FINE)
    bite_factor, sd = learned.bite_factor()
    # 2 g on a 0.01 g scale: 0.7 % for the difference; the prior of 11 % hardly pulls.
    assert bite_factor == pytest.approx(0.93, rel=0.002)
    assert sd < 0.01
    assert [node.weight for node in learned.nodes] == pytest.approx(
        [node.weight for node in fresh().nodes]
    )


def test_depth_over_mass_teaches_area_and_undercut() -> None:
    """The scale says that Faraday holds, the gauge says shallower: more undercut, or more area, than believed."""
    weighed = fresh().learn(Weighing(CHARGE, removed_mass_g(CHARGE, SILVER)), FINE)
    shallow = weighed.learn(gauge(0.15), FINE)
    deep = weighed.learn(gauge(0.21), FINE)
    assert (
        shallow.belief().best_etch_factor
        < weighed.belief().best_etch_factor
        < deep.belief().best_etch_factor
    )
    assert shallow.bite_factor()[0] == pytest.approx(1.0, abs=0.02)


def test_the_order_of_readings_does_not_matter() -> None:
    first, second = gauge(0.20), Weighing(CHARGE, 1.9)
    one = fresh().learn(first, FINE).learn(second, FINE)
    other = fresh().learn(second, FINE).learn(first, FINE)
    for a, b in zip(one.nodes, other.nodes, strict=True):
        assert a.weight == pytest.approx(b.weight, rel=1e-9)
        assert a.mean == pytest.approx(b.mean, abs=1e-12)
        assert np.allclose(a.covariance, b.covariance, atol=1e-15)


def test_the_next_run_keeps_the_bath_and_forgets_run_and_area() -> None:
    learned = fresh().learn(Weighing(CHARGE, 0.9 * removed_mass_g(CHARGE, SILVER)), FINE)
    carried = learned.next_run(AREA_SD)
    # The bath's share of the deviation is its share of the variance: 0.0101 of 0.0126.
    assert math.log(carried.bite_factor()[0]) == pytest.approx(
        math.log(0.9) * 0.0101 / 0.0126, rel=0.01
    )
    assert carried.bite_factor()[1] > 0.05


def test_edge_spots_and_the_resists_top_are_taken_off() -> None:
    """Dry film 0.045 mm, edges 1.15 times deeper (common practice, no source)."""
    assert gauge(0.295, from_resist_top=True).mean_depth()[0] == pytest.approx(0.25)
    assert gauge(0.23, place="edge").mean_depth()[0] == pytest.approx(0.2)
    assert gauge(0.23, place="edge").mean_depth()[1] > gauge(0.23).mean_depth()[1]
    assert GaugeReading(CHARGE, (0.24, 0.26)).evenness_fraction() == pytest.approx(0.08)
    assert GaugeReading(CHARGE, (0.24,)).evenness_fraction() is None


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (GaugeReading(CHARGE, ()), "needs at least one spot"),
        (GaugeReading(CHARGE, (0.2,), place="back"), "place 'back' is not known"),
        (GaugeReading(CHARGE, (0.03,), from_resist_top=True), "spots_mm less film is -0.015 mm"),
        (GaugeReading(CHARGE, (float("nan"),)), "spots_mm is nan mm"),
        (GaugeReading(0.0, (0.2,)), "charge_coulombs is 0 C"),
        (Weighing(CHARGE, -0.1), "lost_g is -0.1 g"),
    ],
)
def test_what_is_no_reading_is_refused(reading: Reading, said: str) -> None:
    with pytest.raises(RefusedError, match=said.replace("(", r"\(")):
        fresh().learn(reading, WIDE)


@pytest.mark.parametrize("factor", [0.5, 0.75, 1.0, 1.3, 2.0])
def test_surprise_is_counted_in_standard_deviations(factor: float) -> None:
    learner = fresh()
    sigma = learner.surprise_sigma(Weighing(CHARGE, factor * removed_mass_g(CHARGE, SILVER)), WIDE)
    assert sigma == pytest.approx(
        math.log(factor) / 0.1125, abs=0.1 + 0.02 * abs(math.log(factor) / 0.1125)
    )


def test_a_bath_is_replayed_so_that_a_withdrawn_reading_leaves_no_trace() -> None:
    good = PastRun(FINE, AREA_SD, (gauge(0.2),))
    bad = PastRun(FINE, AREA_SD, (gauge(0.2), Weighing(CHARGE, 1.2)))
    emptied = PastRun(FINE, AREA_SD, ())
    with_bad = learn_from_bath(SILVER, (good, bad), AREA_SD, SHUNT_SD)
    withdrawn = learn_from_bath(
        SILVER, (good, PastRun(FINE, AREA_SD, (gauge(0.2),))), AREA_SD, SHUNT_SD
    )
    assert with_bad.bite_factor()[0] < withdrawn.bite_factor()[0]
    assert (
        learn_from_bath(SILVER, (good, emptied), AREA_SD, SHUNT_SD).nodes
        == learn_from_bath(SILVER, (good,), AREA_SD, SHUNT_SD).next_run(AREA_SD).nodes
    )


# --- coverage -------------------------------------------------------------------------------------------------------------


class World:
    """Draws runs from the stated priors, or from wrong ones."""

    def __init__(
        self, seed: int, run_sd: float = 0.05, etch_factor: float | None = None, heavy: bool = False
    ) -> None:
        self.rng = random.Random(seed)
        self.run_sd = run_sd
        self.etch_factor = (
            1.2 * math.exp(0.35 * self.rng.gauss(0, 1)) if etch_factor is None else etch_factor
        )
        self.heavy = heavy
        self.bath = math.hypot(0.10, SHUNT_SD) * self._normal()

    def _normal(self) -> float:
        """A standard normal, or Student's t with 3 degrees of freedom scaled to the same variance."""
        value = self.rng.gauss(0, 1)
        if not self.heavy:
            return value
        chi = sum(self.rng.gauss(0, 1) ** 2 for _ in range(3)) / 3.0
        return value / math.sqrt(chi) / math.sqrt(3.0)

    def draw_run(self) -> float:
        return self.bath + self.run_sd * self._normal() - AREA_SD * self._normal()

    def depth(self, z: float, charge: float) -> float:
        return depth_for(FINE, self.etch_factor, math.exp(z) * SILVER.mm3_per_coulomb * charge)

    def read(self, z: float, charge: float) -> GaugeReading:
        """Five spots with 6 um of scatter, the place's 2 % common to all of them."""
        true_mm = self.depth(z, charge) * (1.0 + 0.02 * self.rng.gauss(0, 1))
        return GaugeReading(
            charge,
            tuple(max(0.002, true_mm + self.rng.gauss(0, 0.006)) for _ in range(5)),
            resolution_mm=0.001,
        )


def coverage(count: int, **wrong: object) -> tuple[float, float, float]:
    """Return the share of simulated runs whose truth lies in the 95 % interval: unread, after one reading, tenth run."""
    hits = [0, 0, 0]
    charge = 2390.0
    for seed in range(count):
        world = World(seed, **wrong)  # type: ignore[arg-type]
        z = world.draw_run()
        learner = fresh()
        hits[0] += 0.025 < cdf(learner.belief(), FINE, world.depth(z, charge), charge) < 0.975
        once = learner.learn(world.read(z, 0.6 * charge), FINE)
        hits[1] += 0.025 < cdf(once.belief(), FINE, world.depth(z, charge), charge) < 0.975
        for _ in range(9):
            learner = learner.learn(world.read(world.draw_run(), charge), FINE).next_run(AREA_SD)
        z = world.draw_run()
        hits[2] += 0.025 < cdf(learner.belief(), FINE, world.depth(z, charge), charge) < 0.975
    return hits[0] / count, hits[1] / count, hits[2] / count


def test_the_interval_covers_the_truth_of_runs_drawn_from_the_stated_priors() -> None:
    """2,000 runs: before any reading, after one in mid-run, and for a tenth run in the same bath."""
    unread, once, tenth = coverage(2000)
    assert 0.93 <= unread <= 0.97
    assert 0.93 <= once <= 0.97
    assert 0.93 <= tenth <= 0.97


def test_wrong_priors_cost_coverage_and_it_is_known_how_much() -> None:
    """Doubled run-to-run spread, heavy tails, an etch factor far off: the figures of tests/README.md, within their scatter."""
    doubled = coverage(300, run_sd=0.10)
    assert 0.65 <= doubled[2] <= 0.80, "a tenth run believes the spread that it was told"
    heavy = coverage(300, heavy=True)
    assert min(heavy) >= 0.92
    steep = coverage(300, etch_factor=0.6)
    assert steep[0] < 0.93
    assert steep[2] >= 0.92, "ten gauged runs have found it"


def test_the_film_of_the_run_is_taken_off_and_no_other() -> None:
    """A film of 0.075 mm, as thick dry films are (common practice, no source), under 0.325 and 0.335 mm: 0.25 and 0.26 mm."""
    reading = GaugeReading(CHARGE, (0.325, 0.335), from_resist_top=True, film_mm=0.075)
    assert reading.mean_depth()[0] == pytest.approx(0.255)
    assert reading.evenness_fraction() == pytest.approx(0.01 / 0.255)
    on_metal = replace(reading, from_resist_top=False)
    assert on_metal.mean_depth()[0] == pytest.approx(0.33)
    assert on_metal.evenness_fraction() == pytest.approx(0.01 / 0.33)
