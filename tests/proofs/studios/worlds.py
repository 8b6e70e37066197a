"""Studios of 30 runs: drift, fresh acid, blunders, wrong datums, two people, five artworks."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from controller.physics.faraday import METALS
from controller.physics.relief import SteinerGrowth, removed_volume_mm3

SILVER = METALS["fine-silver"]
RUNS = 30
FRESH_AT = 21
"""Number of the first run in fresh acid."""
AREA_SD, SHUNT_SD = 0.03, 0.01
PLACE_SD = 0.02
SPOTS, SPOT_SD_MM = 5, 0.006
FILM_MM = 0.045
BLUNDER_MM = 0.05
PEOPLE = ("A", "B")
WANTED_MM = 0.25

ARTWORKS = tuple(
    SteinerGrowth(area, edge)
    for area, edge in (
        (767.0, 400.0),
        (767.0, 1534.0),
        (300.0, 900.0),
        (1500.0, 1200.0),
        (450.0, 1800.0),
    )
)
CHARGES = tuple(
    removed_volume_mm3(WANTED_MM, growth, SILVER.etch_factor) / SILVER.mm3_per_coulomb
    for growth in ARTWORKS
)
"""Charge that each artwork gets: what the metal's own figures ask for 0.25 mm."""


@dataclass(frozen=True)
class Law:
    """How a world's baths and people behave.

    :param keeps: share of the bath's ln(bite factor) that the next run inherits.
    :param trend: what is added to it in each run.
    :param tails: degrees of freedom of Student's t for run and drift, or None for normal.
    :param is_told: whether the studio tells of the fresh acid.
    """

    run_sd: float = 0.05
    drift_sd: float = 0.02
    keeps: float = 1.0
    trend: float = 0.0
    tails: int | None = None
    blunders: float = 0.05
    datums: float = 0.05
    offset_sd_mm: float = 0.005
    bath_sd: float = 0.10
    is_told: bool = True


LAWS = {
    "as designed": Law(),
    "spread doubled": Law(run_sd=0.10),
    "heavy tails": Law(tails=3),
    "mean reverting drift": Law(keeps=0.95, drift_sd=0.031),
    "trend of 1 % a run": Law(trend=-0.01, drift_sd=0.005),
    "nothing drifts, nobody errs": Law(drift_sd=0.0, blunders=0.0, datums=0.0, offset_sd_mm=0.0),
    "spread halved, drift doubled": Law(run_sd=0.025, drift_sd=0.04),
}


@dataclass(frozen=True)
class StudioRun:
    """One run: what it was, what it truly gave, what was read."""

    artwork: int
    true_mm: float
    spots_mm: tuple[float, ...]
    person: str
    is_fresh: bool


@dataclass
class Studio:
    """The runs of one studio, drawn from a law."""

    law: Law
    seed: int
    offsets_mm: dict[str, float] = field(default_factory=dict)
    runs: list[StudioRun] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng, law = random.Random(self.seed), self.law
        etch_factor = SILVER.etch_factor * math.exp(SILVER.etch_factor_sd * rng.gauss(0, 1))
        shunt = SHUNT_SD * rng.gauss(0, 1)
        bath = law.bath_sd * rng.gauss(0, 1)
        self.offsets_mm = {name: law.offset_sd_mm * rng.gauss(0, 1) for name in PEOPLE}
        for number in range(1, RUNS + 1):
            if number == FRESH_AT:
                bath = law.bath_sd * rng.gauss(0, 1)
            elif number > 1:
                bath = law.keeps * bath + law.trend + law.drift_sd * _drawn(rng, law)
            artwork = rng.randrange(len(ARTWORKS))
            run = law.run_sd * _drawn(rng, law)
            z = bath + shunt + run - AREA_SD * rng.gauss(0, 1)
            true_mm = depth_of(artwork, etch_factor, z)
            person = rng.choice(PEOPLE)
            seen_mm = true_mm * (1.0 + PLACE_SD * rng.gauss(0, 1)) + self.offsets_mm[person]
            chance = rng.random()
            if chance < law.blunders:
                seen_mm += rng.choice((-BLUNDER_MM, BLUNDER_MM))
            elif chance < law.blunders + law.datums:
                seen_mm += rng.choice((-FILM_MM, FILM_MM))
            spots = tuple(max(0.01, rng.gauss(seen_mm, SPOT_SD_MM)) for _ in range(SPOTS))
            is_fresh = number == FRESH_AT and law.is_told
            self.runs.append(StudioRun(artwork, true_mm, spots, person, is_fresh))


def _drawn(rng: random.Random, law: Law) -> float:
    """Return a value of mean 0 and variance 1 with the law's tails."""
    value = rng.gauss(0, 1)
    if law.tails is None:
        return value
    n = law.tails
    chi = sum(rng.gauss(0, 1) ** 2 for _ in range(n)) / n
    return value / math.sqrt(chi) * math.sqrt((n - 2) / n)


def depth_of(artwork: int, etch_factor: float, z: float) -> float:
    """Return the depth in mm, by Newton. Source: Minkowski-Steiner formula.

    V = A d + (pi/4) P d^2 / e + (2/3) pi d^3 / e^2.
    """
    growth = ARTWORKS[artwork]
    volume = CHARGES[artwork] * SILVER.mm3_per_coulomb * math.exp(z)
    b = math.pi / 4.0 * growth.edge_mm / etch_factor
    c = 2.0 / 3.0 * math.pi / etch_factor**2
    depth_mm = volume / growth.open_area_mm2
    for _ in range(12):
        removed = depth_mm * (growth.open_area_mm2 + depth_mm * (b + depth_mm * c)) - volume
        depth_mm -= removed / (growth.open_area_mm2 + depth_mm * (2.0 * b + depth_mm * 3.0 * c))
    return depth_mm
