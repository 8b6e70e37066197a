"""Counts how often each place's interval covers the depth of worlds with other laws."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from controller.physics.evenness import with_evenness
from controller.physics.faraday import METALS
from controller.physics.place_depth import place_depths
from controller.physics.relief import SteinerGrowth, relief_table
from tests.kits.beliefs import prior_belief
from tests.proofs.place_coverage.worlds import LAWS, PLATES, Bath, Cell

SILVER = METALS["fine-silver"]
AREA_SD, SHUNT_SD = 0.01, 0.01
GROWTH = SteinerGrowth(767.0, 640.0)
CHARGE_COULOMBS = 2000.0

SHOP_LOW, SHOP_HIGH = 0.03, 0.40
"""Edges 3 to 40 % deeper than the middle, the figure of shops; nine worlds of ten lie within."""

OHMIC_SHARE = 0.02
"""Worlds with hardly any surface resistance."""

SPREAD_LN = math.log(SHOP_HIGH / SHOP_LOW) / (2 * 1.645)
MIDDLE_LN = 0.5 * (math.log(SHOP_LOW) + math.log(SHOP_HIGH))
GAPS_MM = (40.0, 60.0, 100.0)
MARGINS_MM = (10, 30)
DRAWS_PER_WORLD = 5


@dataclass
class Counts:
    """Draws by place: all of them, covered, and mean width of the interval over its middle."""

    drawn: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    covered: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    below: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    width: dict[str, float] = field(default_factory=lambda: defaultdict(float))

    def share(self, name: str) -> float:
        """Return the covered share of a place's draws."""
        return self.covered[name] / self.drawn[name]


def coverage(worlds: int, seed: int) -> Counts:
    """Return the counts of that many worlds, ``DRAWS_PER_WORLD`` runs in each."""
    rng, counts = np.random.default_rng(seed), Counts()
    belief = with_evenness(prior_belief(SILVER, AREA_SD, SHUNT_SD))
    cells: dict[tuple[str, Bath], Cell] = {}
    tables = {}
    sd_ln = math.sqrt(SILVER.bath_sd**2 + SILVER.run_sd**2 + AREA_SD**2 + SHUNT_SD**2)
    for _ in range(worlds):
        plate = str(rng.choice(list(PLATES)))
        bath = Bath(float(rng.choice(GAPS_MM)), int(rng.choice(MARGINS_MM)))
        if (plate, bath) not in cells:
            cell = cells[plate, bath] = Cell(plate, bath)
            tables[plate, bath] = place_depths(
                belief, GROWTH, SILVER.mm3_per_coulomb, cell.places(), 1.3 * CHARGE_COULOMBS
            )
        cell = cells[plate, bath]
        law = str(rng.choice(LAWS))
        excess = math.exp(MIDDLE_LN + SPREAD_LN * float(rng.standard_normal()))
        if rng.random() < OHMIC_SHARE:
            excess = 3.0
        truth = cell.at_places(cell.with_excess(law, excess))
        for _ in range(DRAWS_PER_WORLD):
            bite = math.exp(sd_ln * float(rng.standard_normal()))
            etch_factor = SILVER.etch_factor * math.exp(
                SILVER.etch_factor_sd * float(rng.standard_normal())
            )
            pairs = relief_table(GROWTH, etch_factor, 1.0).pairs
            depths, volumes = zip(*pairs, strict=True)
            removed_mm3 = CHARGE_COULOMBS * SILVER.mm3_per_coulomb * bite
            mean_mm = float(np.interp(removed_mm3, volumes, depths))
            for it in tables[plate, bath]:
                name, shown = it.place.name, it.at(CHARGE_COULOMBS)
                true_mm = mean_mm * truth[name]
                counts.drawn[name] += 1
                counts.covered[name] += shown.low_mm <= true_mm <= shown.high_mm
                counts.below[name] += true_mm < shown.low_mm
                counts.width[name] += (shown.high_mm - shown.low_mm) / shown.best_mm
    return counts
