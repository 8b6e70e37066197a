"""How often a plan's interval for each place covers the truth of the rehearsal rig's own solver.

By hand: ``python -m tests.proofs.places_coverage --draws 2000`` (some 0.5 s a draw). Each draw is
a world: evenness, surface law, gap and walls of the bath and chemical attack are drawn here, and
differ from what the plan assumes. Bite factor and etch factor come from the plan's belief. The
current distribution and the depth of each place are those of ``hardware.rehearsal``.

What it leaves out: the moving front itself. The undercut is that of the mean depth, so the metal
that deep edges take beyond it is missing: 1 to 3 % of the depth at evenness 0.3 on fine work.
"""

from __future__ import annotations

import argparse
import math
import random
import tempfile
from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from PIL import Image
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from controller.artwork.loading.levels import find_levels
from controller.artwork.measuring.measure import load_picture, measure_file
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import planning_options, request_fields
from controller.config import Settings
from controller.physics.bath_field import BathField
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.solver import Bath
from hardware.rehearsal.front_table import FrontTable, Spot, growth_table
from hardware.rehearsal.level_set.overview import Overview
from hardware.rehearsal.level_set.pace import PaceMap
from hardware.rehearsal.level_set.places import TrueDepths
from tests.kits.artwork.shapes import coverage, disc, file_bytes

DPI = 300
DEPTH_MM = 0.25
FIELD_MM = 0.17
"""Cells of the field: two pixels."""


def artworks() -> dict[str, BaseGeometry]:
    """Return three pieces: a field beside a line, a comb with rings, and lettering-like bars."""
    return {
        "field": unary_union([box(2, 2, 16, 18), box(19, 2, 19.4, 18), box(22, 2, 24, 18)]),
        "comb": unary_union(
            [box(2 + 0.8 * k, 2, 2.4 + 0.8 * k, 14) for k in range(14)]
            + [disc(4.0, 20, 8).difference(disc(2.5, 20, 8)), box(2, 16, 26, 18)]
        ),
        "bars": unary_union([box(2 + 2.4 * k, 2, 2.3 + 2.4 * k + 0.12 * k, 18) for k in range(10)]),
    }


@dataclass(frozen=True, slots=True)
class Piece:
    """An artwork on its sheet, as the plan and as the rehearsal see it."""

    plan: RunPlan
    sheet: Sheet
    overview: Overview
    spots: tuple[Spot, ...]
    growth_mm2: tuple[tuple[float, float], ...]


def piece(path: Path, shape: BaseGeometry) -> Piece:
    """Return a piece of 28 by 20 mm, planned for fine silver with the rig's default bath."""
    px_mm = 25.4 / DPI
    share = coverage(shape, round(28 / px_mm), round(20 / px_mm), px_mm)
    grey = Image.fromarray((255.0 - np.rint(share * 255.0)).astype(np.uint8))
    path.write_bytes(file_bytes(grey, "PNG", DPI))
    options = planning_options(MeasureOptions(), DEPTH_MM, BathField())
    fields = request_fields(measure_file(path, options))
    request = PlanRequest(
        metal="fine-silver", depth_mm=DEPTH_MM, density_a_per_dm2=20.0, thickness_mm=2.0, **fields
    )
    picture = load_picture(path, options)
    sheet = Sheet(picture, find_levels(picture, False), options)
    spots = tuple(Spot(place.name, place.x_mm, place.y_mm) for place in request.places)
    return Piece(
        make_plan(request, Settings(), 16.0), sheet, Overview(sheet), spots, fields["growth_mm2"]
    )


@dataclass(frozen=True, slots=True)
class World:
    """What is true of one run."""

    kinetics: Kinetics
    bath: Bath
    attack_um_per_min: float
    etch_factor: float
    bite_factor: float


def draw(rng: random.Random, plan: RunPlan) -> World:
    """Return a world.

    The evenness has the plan's median and spread, its law and its bath are others. Attack: silver
    in a weak bath hardly any (assumption, no source).
    """
    (component,) = rng.choices(plan.belief.components, [c.weight for c in plan.belief.components])
    logit = math.log(0.35 / 0.65) + rng.gauss(0.0, 0.9)
    return World(
        Kinetics(
            1.0 / (1.0 + math.exp(-logit)),
            exchange=math.exp(rng.uniform(math.log(0.01), 0.0)),
            limit=rng.uniform(1.5, 5.0),
            mass_transfer=rng.uniform(0.0, 1.0),
        ),
        Bath(rng.uniform(40.0, 100.0), rng.uniform(15.0, 60.0)),
        rng.expovariate(1.0 / 0.05),
        component.etch_factor,
        math.exp(rng.gauss(component.mean_ln, component.sd_ln)),
    )


def true_depths_mm(at: Piece, world: World) -> dict[str, float]:
    """Return the depth of each place after the plan's charge, and of the mean as ``mean``."""
    plan, overview = at.plan, at.overview
    pace = PaceMap(
        overview, at.sheet.px_mm, 0.0, world.bath, world.kinetics, finest_mm=FIELD_MM
    ).over(0, at.sheet.height_px, 0, at.sheet.width_px)
    weight = np.asarray(overview.share, np.float64)
    pace /= (pace * weight).sum() / weight.sum()
    depths = TrueDepths(at.sheet, overview, at.spots, float(pace.max()))
    depths.add(0, 0, pace, weight, 1)
    volume_mm3 = world.bite_factor * plan.metal.mm3_per_coulomb * plan.charge_coulombs
    by_current_mm = _depth_mm(growth_table(at.growth_mm2, world.etch_factor, 1.2), volume_mm3)
    attacked_mm = world.attack_um_per_min / 1000.0 * plan.duration_s / 60.0
    found = {"mean": by_current_mm + attacked_mm}
    for spot, ratio in zip(at.spots, depths.over(1.0), strict=True):
        if ratio is not None:
            found[spot.name] = ratio * by_current_mm + attacked_mm
    return found


def _depth_mm(table: FrontTable, volume_mm3: float) -> float:
    """Return the mean depth when so much is removed, linear between rows; the last step goes on."""
    rows = table.rows
    index = min(bisect_left([row.volume_mm3 for row in rows], volume_mm3), len(rows) - 1)
    before, after = rows[index - 1], rows[index]
    share = (volume_mm3 - before.volume_mm3) / (after.volume_mm3 - before.volume_mm3)
    return before.depth_mm + share * (after.depth_mm - before.depth_mm)


@dataclass
class Tally:
    """Draws of each place: all of them, below and above the plan's interval."""

    all: Counter[str] = field(default_factory=Counter)
    below: Counter[str] = field(default_factory=Counter)
    above: Counter[str] = field(default_factory=Counter)

    def count(self, at: Piece, truth: dict[str, float]) -> None:
        """Compare one world's truth with the plan's intervals."""
        for it in at.plan.places:
            depth_mm = truth.get(it.place.name)
            if depth_mm is None:
                continue
            interval = it.at(at.plan.charge_coulombs)
            self.all[it.place.name] += 1
            self.below[it.place.name] += depth_mm < interval.low_mm
            self.above[it.place.name] += depth_mm > interval.high_mm

    def covered(self, name: str) -> float:
        """Return the share of the draws of a place that its interval covered."""
        return 1.0 - (self.below[name] + self.above[name]) / self.all[name]


def study(draws: int, seed: int = 1, evenness: float | None = None) -> Tally:
    """Return the tally of so many worlds, spread over the artworks.

    :param evenness: true evenness of all worlds, in place of drawing it.
    """
    rng, tally = random.Random(seed), Tally()
    with tempfile.TemporaryDirectory() as directory:
        pieces = [
            piece(Path(directory, f"{name}.png"), shape) for name, shape in artworks().items()
        ]
    for index in range(draws):
        at = pieces[index % len(pieces)]
        world = draw(rng, at.plan)
        if evenness is not None:
            world = replace(world, kinetics=replace(world.kinetics, evenness=evenness))
        tally.count(at, true_depths_mm(at, world))
    return tally


def main() -> None:
    """Print the coverage of each place."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    tally = study(arguments.draws, arguments.seed)
    print("| place | draws | covered | truth shallower | truth deeper |\n|---|---|---|---|---|")
    for name, draws in sorted(tally.all.items()):
        shares = tally.covered(name), tally.below[name] / draws, tally.above[name] / draws
        print(f"| {name} | {draws} | " + " | ".join(f"{share:.1%}" for share in shares) + " |")


if __name__ == "__main__":
    main()
