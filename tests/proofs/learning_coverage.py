"""How often the 95 % interval covers the truth, over runs drawn from the stated or wrong priors.

``make coverage``, by hand, prints the table of DEVELOPERS.md from 2,000 worlds of each kind;
``tests/physics/test_learning.py`` asks the same functions with fewer.
"""

from __future__ import annotations

import argparse
import math
import random
from statistics import NormalDist

from controller.physics.estimate import Belief
from controller.physics.faraday import METALS
from controller.physics.learning import Learner, new_learner
from controller.physics.readings import GaugeReading
from controller.physics.relief import Growth, SteinerGrowth, removed_volume_mm3

SILVER = METALS["fine-silver"]
FINE = SteinerGrowth(767.0, 1534.0)
AREA_SD, SHUNT_SD = 0.03, 0.01
CHARGE_COULOMBS = 2390.0
RUNS = 10
"""Runs of a bath, each gauged when it is over."""


def fresh() -> Learner:
    return new_learner(SILVER, AREA_SD, SHUNT_SD)


def cdf(belief: Belief, growth: Growth, depth_mm: float, charge_coulombs: float) -> float:
    """Return P(depth <= depth_mm): between 2.5 and 97.5 % for a truth inside the interval."""
    reached = 0.0
    for c in belief.components:
        ratio = removed_volume_mm3(depth_mm, growth, c.etch_factor) / SILVER.mm3_per_coulomb
        reached += c.weight * NormalDist(c.mean_ln, c.sd_ln).cdf(math.log(ratio / charge_coulombs))
    return reached


def depth_for(growth: SteinerGrowth, etch_factor: float, volume_mm3: float) -> float:
    """Return the depth in mm at which so much is removed, by Newton from the right.

    V = A d + (pi/4) P d^2 / e + (2/3) pi d^3 / e^2. Source: Minkowski-Steiner formula.
    """
    b = math.pi / 4.0 * growth.edge_mm / etch_factor
    c = 2.0 / 3.0 * math.pi / etch_factor**2
    depth_mm = volume_mm3 / growth.open_area_mm2
    for _ in range(8):
        removed = depth_mm * (growth.open_area_mm2 + depth_mm * (b + depth_mm * c)) - volume_mm3
        depth_mm -= removed / (growth.open_area_mm2 + depth_mm * (2.0 * b + depth_mm * 3.0 * c))
    return depth_mm


class World:
    """Draws the runs of one bath.

    :param run_sd: how far runs scatter; believed is 0.05.
    :param etch_factor: drawn from the prior unless given.
    :param heavy: tails of Student's t with 3 degrees of freedom, at the same variance.
    """

    def __init__(
        self, seed: int, run_sd: float = 0.05, etch_factor: float | None = None, heavy: bool = False
    ) -> None:
        self.rng = random.Random(seed)
        self.run_sd = run_sd
        drawn = 1.2 * math.exp(0.35 * self.rng.gauss(0, 1))
        self.etch_factor = drawn if etch_factor is None else etch_factor
        self.heavy = heavy
        self.bath = math.hypot(0.10, SHUNT_SD) * self._normal()

    def _normal(self) -> float:
        value = self.rng.gauss(0, 1)
        if not self.heavy:
            return value
        chi = sum(self.rng.gauss(0, 1) ** 2 for _ in range(3)) / 3.0
        return value / math.sqrt(chi) / math.sqrt(3.0)

    def draw_run(self) -> float:
        return self.bath + self.run_sd * self._normal() - AREA_SD * self._normal()

    def depth(self, z: float, charge: float = CHARGE_COULOMBS) -> float:
        return depth_for(FINE, self.etch_factor, math.exp(z) * SILVER.mm3_per_coulomb * charge)

    def read(self, z: float, charge: float = CHARGE_COULOMBS) -> GaugeReading:
        """Five spots with 6 um of scatter, the place's 2 % common to all of them."""
        true_mm = self.depth(z, charge) * (1.0 + 0.02 * self.rng.gauss(0, 1))
        spots = tuple(max(0.002, true_mm + self.rng.gauss(0, 0.006)) for _ in range(5))
        return GaugeReading(charge, spots, resolution_mm=0.001)

    def is_covered(self, learner: Learner, z: float) -> bool:
        return 0.025 < cdf(learner.belief(), FINE, self.depth(z), CHARGE_COULOMBS) < 0.975


def covered_unread(count: int, **wrong: object) -> float:
    """Return the share of so many runs that is covered before any reading."""
    learner = fresh()
    worlds = [World(seed, **wrong) for seed in range(count)]  # type: ignore[arg-type]
    return sum(world.is_covered(learner, world.draw_run()) for world in worlds) / count


def covered_once(count: int, **wrong: object) -> float:
    """Return the share of so many runs that is covered after one reading at 60 % of the charge."""
    hits = 0
    for seed in range(count):
        world = World(seed, **wrong)  # type: ignore[arg-type]
        z = world.draw_run()
        hits += world.is_covered(fresh().learn(world.read(z, 0.6 * CHARGE_COULOMBS), FINE), z)
    return hits / count


def covered_later(count: int, first: int = 2, **wrong: object) -> float:
    """Return the covered share of the runs from number ``first`` to RUNS of so many baths."""
    hits = 0
    for seed in range(count):
        world, learner = World(seed, **wrong), fresh()  # type: ignore[arg-type]
        for number in range(1, RUNS + 1):
            z = world.draw_run()
            hits += number >= first and world.is_covered(learner, z)
            if number < RUNS:
                learner = learner.learn(world.read(z), FINE).next_run(AREA_SD)
    return hits / (count * (RUNS + 1 - first))


WORLDS: dict[str, dict[str, object]] = {
    "as stated": {},
    "run-to-run spread doubled": {"run_sd": 0.10},
    "heavy tails (Student t, 3 degrees)": {"heavy": True},
    "etch factor 0.7 everywhere": {"etch_factor": 0.7},
    "etch factor 2 everywhere": {"etch_factor": 2.0},
}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.proofs.learning_coverage")
    parser.add_argument("--runs", type=int, default=2000)
    count = parser.parse_args().runs
    print("| world | before any reading | after one reading at 60 % | tenth run, nine gauged |")
    print("|---|---|---|---|")
    for name, wrong in WORLDS.items():
        tenth = covered_later(count, first=RUNS, **wrong)
        shares = (covered_unread(count, **wrong), covered_once(count, **wrong), tenth)
        print(f"| {name} | " + " | ".join(f"{share:.1%}" for share in shares) + " |")


if __name__ == "__main__":
    main()
