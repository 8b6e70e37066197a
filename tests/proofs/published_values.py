"""Published figures beside this project's own.

The figures, their sources and tolerances are in published_values.csv.
``python -m tests.proofs.published_values`` prints the table of tests/README.md.
"""

from __future__ import annotations

import csv
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from controller import units
from controller.config import Settings
from controller.physics.estimate import depth_table
from controller.physics.faraday import (
    ATOMIC_WEIGHT_G_PER_MOL,
    METALS,
    Metal,
    Part,
    removed_mass_g,
    removed_volume_mm3,
)
from controller.physics.relief import SteinerGrowth
from controller.physics.relief import removed_volume_mm3 as relief_volume_mm3
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.units import FARADAY_COULOMBS_PER_MOL
from tests.kits.beliefs import prior_belief

HALF_A_DIGIT = "half of the last printed digit"

SAME_FORMULA = "computed with the code's own formula"
"""Status of a figure that nobody published: it checks arithmetic and constants, not the law."""

SECONDS_PER_YEAR = 365.25 * 86400.0

NOT_REPRODUCED = {
    "stainless 316, gold, lead, cobalt, cadmium, titanium": "the tool knows no such metal",
    "area from charge and thickness, last exercise of OpenStax 17.7": "the book prints no answer",
}


@dataclass(frozen=True, slots=True)
class PublishedValue:
    """One figure.

    :param printed: as the source prints it.
    :param allowed: largest difference, in the figure's unit, and ``because`` why.
    """

    id: str
    topic: str
    name: str
    printed: str
    unit: str
    allowed: float
    because: str
    source: str
    status: str

    @property
    def value(self) -> float:
        return float(self.printed)

    @property
    def is_published(self) -> bool:
        """Whether the figure comes from outside, and not from the code's own formula."""
        return self.status != SAME_FORMULA


def half_a_digit(printed: str) -> float:
    """Return a little more than half of the last printed digit: the rounding of a figure."""
    mantissa, _, exponent = printed.partition("e")
    return 0.5 * 10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2])) * (1.0 + 1e-6)


def _read() -> tuple[PublishedValue, ...]:
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as file:
        return tuple(
            PublishedValue(
                allowed=float(row.pop("tolerance") or half_a_digit(row["printed"])),
                because=row.pop("because") or HALF_A_DIGIT,
                **row,
            )
            for row in csv.DictReader(file)
        )


VALUES = _read()

# --- this project's own figures ------------------------------------------------------------------


def element(symbol: str, electrons: int, density_g_per_cm3: float = 1.0) -> Metal:
    """Return a pure metal as a source reckons it, with the source's own density."""
    return Metal(
        symbol, symbol, (Part(symbol, electrons, 1.0),), density_g_per_cm3, "the source's own"
    )


def alloy_weight(*parts: tuple[str, int, float]) -> float:
    """Return the equivalent weight of an alloy as a source reckons it."""
    return Metal(
        "alloy", "alloy", tuple(Part(*part) for part in parts), 1.0, "not used"
    ).equivalent_weight_g_per_mol


def um_per_a_min_per_dm2(metal: Metal) -> float:
    """Return the micrometres that 1 A takes in 1 min from 1 dm2."""
    return removed_volume_mm3(60.0, metal) / units.MM2_PER_DM2 * 1000.0


def mm_per_year(metal: Metal) -> float:
    """Return the penetration by 1 uA over 1 cm2 in a year."""
    return removed_volume_mm3(1e-6 * SECONDS_PER_YEAR, metal) / units.MM2_PER_CM2


def layer_coulombs(metal: Metal, thickness_mm: float, area_m2: float) -> float:
    """Return the charge for a thickness over an area: the same for taking off as for putting on."""
    return thickness_mm * area_m2 * 1e6 / removed_volume_mm3(1.0, metal)


@cache
def common() -> RunPlan:
    """Return the plan of common practice: fine silver, 7.67 cm2, 0.25 mm, 3 A."""
    request = PlanRequest(
        "fine-silver",
        units.cm2_to_mm2(7.67),
        0.25,
        current_a=3.0,
        thickness_mm=1.2,
        bath_volume_l=1.0,
    )
    return make_plan(request, Settings(), 16.0)


@cache
def heated() -> RunPlan:
    """Return the plan of a textbook's energy: 600 C at 12 V, all of it into 100 g of water."""
    request = PlanRequest(
        "copper",
        2000.0,
        charge_coulombs=600.0,
        current_a=3.0,
        expected_voltage_v=12.0,
        bath_volume_l=0.1,
    )
    return make_plan(request, Settings(), 16.0)


def warming_k(plan: RunPlan) -> float:
    """Return the warming of a plan with a bath."""
    assert plan.warming_k is not None
    return plan.warming_k


def depth_at_factor_mm(etch_factor: float) -> float:
    """Return where the charge for 0.25 mm at etch factor 1 ends at another one; edge over area 2
    per mm.
    """
    growth = SteinerGrowth(1000.0, 2000.0)
    belief = prior_belief(replace(SILVER, etch_factor=etch_factor, etch_factor_sd=1e-9), 0.03, 0.01)
    table = depth_table(belief, growth, SILVER.mm3_per_coulomb, 0.4)
    return table.at(relief_volume_mm3(0.25, growth, 1.0) / SILVER.mm3_per_coulomb).best_mm


SILVER = METALS["fine-silver"]
_CHROMIUM, _ZINC = element("Cr", 3, 7.19), element("Zn", 2, 7.14)
_EQUIVALENTS = {
    "Ag1": 10.5,
    "Cu1": 8.92,
    "Cu2": 8.92,
    "Ni2": 8.9,
    "Zn2": 7.1,
    "Sn2": 7.3,
    "Sn4": 7.3,
    "Fe2": 7.9,
    "Cr6": 7.1,
    "Cr3": 7.1,
}
"""Element and electrons, and the density that the source of the micrometres uses."""


def _of_metal(metal: Metal) -> dict[str, Callable[[], float]]:
    def density() -> float:
        return metal.density_g_per_cm3

    return {
        f"density-{metal.name}": density,
        f"density-{metal.name}-2": density,
        f"density-{metal.name}-3": density,
        f"ew-{metal.name}": lambda: metal.equivalent_weight_g_per_mol,
    }


def _of_element(name: str, density_g_per_cm3: float) -> dict[str, Callable[[], float]]:
    metal = element(name[:2], int(name[2]), density_g_per_cm3)
    return {
        f"gah-{name}": lambda: removed_mass_g(units.SECONDS_PER_HOUR, metal),
        f"um-{name}": lambda: um_per_a_min_per_dm2(metal),
    }


def _silver_mg() -> float:
    return 1000.0 * removed_mass_g(1.0, SILVER)


OURS: Mapping[str, Callable[[], float]] = {
    "faraday": lambda: FARADAY_COULOMBS_PER_MOL,
    "faraday-ah": lambda: FARADAY_COULOMBS_PER_MOL / units.SECONDS_PER_HOUR,
    "faraday-openstax": lambda: FARADAY_COULOMBS_PER_MOL,
    "faraday-g102": lambda: FARADAY_COULOMBS_PER_MOL,
    **dict.fromkeys(("silver-1893", "silver-1960", "silver-1980", "silver-computed"), _silver_mg),
    **{f"weight-{symbol}": weight.__float__ for symbol, weight in ATOMIC_WEIGHT_G_PER_MOL.items()},
    **{name: ours for metal in METALS.values() for name, ours in _of_metal(metal).items()},
    **{
        key: ours
        for name, density in _EQUIVALENTS.items()
        for key, ours in _of_element(name, density).items()
    },
    "ew-stainless-430": lambda: alloy_weight(("Fe", 2, 0.83), ("Cr", 3, 0.17)),
    "ew-bronze-tin-2": lambda: alloy_weight(("Cu", 2, 0.95), ("Sn", 2, 0.05)),
    "ew-stainless-304-chromium-6": lambda: alloy_weight(
        ("Fe", 2, 0.7175), ("Cr", 6, 0.19), ("Ni", 2, 0.0925)
    ),
    "k1-mm": lambda: mm_per_year(element("Fe", 2)) / METALS["steel"].equivalent_weight_g_per_mol,
    "k1-mil": lambda: (
        mm_per_year(element("Fe", 2))
        / METALS["steel"].equivalent_weight_g_per_mol
        / (units.MM_PER_INCH / 1000.0)
    ),
    "iron-per-year": lambda: mm_per_year(element("Fe", 2, 7.87)),
    "openstax-silver-mol": lambda: 10.23 * 3600.0 / FARADAY_COULOMBS_PER_MOL,
    "openstax-silver-g": lambda: removed_mass_g(10.23 * 3600.0, SILVER),
    "openstax-aluminium-g": lambda: removed_mass_g(25.0 * 900.0, METALS["aluminium"]),
    "openstax-chromium-coulombs": lambda: layer_coulombs(_CHROMIUM, 0.010, 3.3),
    "openstax-chromium-h": lambda: layer_coulombs(_CHROMIUM, 0.010, 3.3) / 33.46 / 3600.0,
    "openstax-zinc-kg": lambda: removed_mass_g(layer_coulombs(_ZINC, 0.10, 16.5), _ZINC) / 1000.0,
    "openstax-zinc-h": lambda: layer_coulombs(_ZINC, 0.10, 16.5) / 25.5 / 3600.0,
    "openstax-chromium-g": lambda: removed_mass_g(333_000.0, _CHROMIUM),
    "openstax-aluminium-2-g": lambda: removed_mass_g(333_000.0, METALS["aluminium"]),
    "verma-heat": lambda: heated().heat_j / 1000.0,
    "verma-warming": lambda: warming_k(heated()),
    "masterton-silver-g": lambda: removed_mass_g(2.0 * 8700.0, SILVER, 0.82),
    "masterton-silver-mm": lambda: removed_volume_mm3(2.0 * 8700.0, SILVER, 0.82) / 625.0,
    "machining-iron": lambda: removed_mass_g(1000.0, METALS["steel"], 0.9),
    "groover-nickel-mm": lambda: (
        removed_volume_mm3(12.0 * 900.0, METALS["nickel"], 0.95) / 12_500.0
    ),
    "steiner-rectangle": lambda: SteinerGrowth(80.0, 36.0).area_mm2(0.25),
    "steiner-l": lambda: SteinerGrowth(64.0, 40.0).area_mm2(0.25),
    "steiner-ring": lambda: SteinerGrowth(84.0, 56.0, 0).area_mm2(0.25),
    "isotropic-volume": lambda: relief_volume_mm3(0.25, SteinerGrowth(80.0, 36.0), 1.0),
    "practice-coulombs": lambda: common().charge_coulombs,
    "practice-min": lambda: common().duration_s / 60.0,
    "practice-g": lambda: common().metal_removed_g,
    "practice-density": lambda: common().density_a_per_dm2,
    "practice-warming": lambda: warming_k(common()),
    "water-heat": lambda: units.JOULE_PER_L_K,
    "factor-0.7": lambda: depth_at_factor_mm(0.7),
    "factor-2": lambda: depth_at_factor_mm(2.0),
    "gap-um": lambda: removed_volume_mm3(3.0, SILVER) / 767.0 * 1000.0,
    "ceiling": lambda: common().max_charge_coulombs / common().charge_coulombs,
}
"""By id, each by the project's own functions."""

# --- the table -----------------------------------------------------------------------------------


def render() -> str:
    """Return the table in Markdown."""
    lines = [
        "| what | published | unit | ours | allowed | because | source | status |",
        "|---|---|---|---|---|---|---|---|",
    ]
    topic = ""
    for entry in VALUES:
        if entry.topic != topic:
            topic = entry.topic
            lines.append(f"| **{topic}** | | | | | | | |")
        digits = max(3, len(entry.printed.partition("e")[0].replace(".", "").lstrip("0")) + 1)
        lines.append(
            f"| {entry.name} | {entry.printed} | {entry.unit} | {OURS[entry.id]():.{digits}g} | "
            f"{entry.allowed:.1e} | "
            f"{entry.because} | {entry.source} | {entry.status} |"
        )
    published = sum(entry.is_published for entry in VALUES)
    counted = (
        f"{published} figures come from outside the program. {len(VALUES) - published} more are "
        f"{SAME_FORMULA}: they hold arithmetic and constants, and do not count as published."
    )
    left_out = "; ".join(f"{what} ({why})" for what, why in NOT_REPRODUCED.items())
    return "\n".join(
        [
            *lines,
            "",
            textwrap.fill(counted, 99),
            "",
            textwrap.fill(f"Not reproduced: {left_out}.", 99),
        ]
    )


if __name__ == "__main__":
    print(render())
