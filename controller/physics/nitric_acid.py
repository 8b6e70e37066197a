"""The strength of a nitric acid bath, from parts of acid and water and the bottle's label. Pure."""

from __future__ import annotations

from bisect import bisect_left

from controller.errors import RefusedError
from controller.units import positive

HNO3_G_PER_MOL = 63.013
"""Molar mass. Source: IUPAC standard atomic weights, abridged (H 1.008, N 14.007, O 15.999)."""

USUAL_BOTTLE_PERCENT = 65.0
"""Share of acid in a usual bottle by mass, %, where the label was not given. Bottles hold 60 to
70 %. Source: common practice, no source."""

WEAKEST_BOTTLE_PERCENT = 5.0
MOST_WATER_PARTS = 200.0

_DENSITY_G_PER_ML = (
    (0.0, 0.9982),
    (1.0, 1.00364),
    (5.0, 1.02563),
    (10.0, 1.0543),
    (14.0, 1.0781),
    (20.0, 1.1150),
    (25.0, 1.1469),
    (30.0, 1.1800),
    (35.0, 1.2140),
    (40.0, 1.2463),
    (45.0, 1.2783),
    (50.0, 1.3100),
    (55.0, 1.3393),
    (60.0, 1.3667),
    (65.0, 1.3913),
    (68.0, 1.4048),
    (70.0, 1.4134),
    (75.0, 1.4337),
    (80.0, 1.4521),
    (90.0, 1.4826),
    (100.0, 1.5129),
)
"""Density at 20 degC against % by mass. Source: Perry's Chemical Engineers' Handbook, 6th edition,
nitric acid solutions; the rows up to 14 % and 68 % were compared with copies of that table, the
others are from memory and agree with its neighbours."""


def nitric_density_g_per_ml(acid_percent: float) -> float:
    """Return the density of nitric acid with that share of acid by mass, at 20 degC.

    Raises: RefusedError outside 0 to 100 %.
    """
    if not 0.0 <= acid_percent <= 100.0:
        raise RefusedError(
            "physics.acid.percent", field="bottle_percent", acid_percent=acid_percent
        )
    k = max(1, bisect_left(_DENSITY_G_PER_ML, (acid_percent,)))
    (p0, d0), (p1, d1) = _DENSITY_G_PER_ML[k - 1], _DENSITY_G_PER_ML[k]
    return d0 + (d1 - d0) * (acid_percent - p0) / (p1 - p0)


def mol_per_l_of_percent(acid_percent: float) -> float:
    """Return the strength in mol/L of nitric acid with that share of acid by mass, at 20 degC."""
    grams_per_l = 1000.0 * nitric_density_g_per_ml(acid_percent) * acid_percent / 100.0
    return grams_per_l / HNO3_G_PER_MOL


def acid_mol_per_l(water_parts: float, bottle_percent: float | None = None) -> float:
    """Return the strength of 1 part acid in this many parts of water, by volume, in mol/L.

    Masses add up and volumes do not: the density of the mixture comes from the table.

    :param bottle_percent: share of acid by mass on the bottle's label, or None for a usual one.
    Raises: RefusedError.
    """
    percent = USUAL_BOTTLE_PERCENT if bottle_percent is None else bottle_percent
    if not WEAKEST_BOTTLE_PERCENT <= percent <= 100.0:
        raise RefusedError("physics.acid.bottle", field="bottle_percent", acid_percent=percent)
    if positive(water_parts, "water_parts", "") > MOST_WATER_PARTS:
        raise RefusedError(
            "physics.acid.water",
            field="water_parts",
            water_parts=water_parts,
            limit_parts=MOST_WATER_PARTS,
        )
    acid_g = nitric_density_g_per_ml(percent)
    mixture_g = acid_g + water_parts * nitric_density_g_per_ml(0.0)
    return mol_per_l_of_percent(percent * acid_g / mixture_g)
