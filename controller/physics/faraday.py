"""Metals, and Faraday's law: charge to mass and volume removed, and back. Pure.

Equivalent weights by ASTM G102, EW = 1 / sum(n_i f_i / W_i). Atomic weights W in g/mol: IUPAC
standard atomic weights (abridged), as in the periodictable package.

``METALS`` is the one place that names a metal. Everything else reads its name, title, figures and
reasons there, so a new metal needs this file and its tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.errors import RefusedError
from controller.texts import text
from controller.units import FARADAY_COULOMBS_PER_MOL, MM3_PER_CM3, positive

ATOMIC_WEIGHT_G_PER_MOL: Mapping[str, float] = {
    "Ag": 107.8682,
    "Al": 26.9815384,
    "Cr": 51.9961,
    "Cu": 63.546,
    "Fe": 55.845,
    "Ni": 58.6934,
    "Sn": 118.71,
    "Zn": 65.38,
}


@dataclass(frozen=True, slots=True)
class Part:
    """One element of an alloy as it dissolves.

    :param element: symbol.
    :param electrons: electrons per atom, n.
    :param mass_fraction: share of the alloy's mass, 0 to 1.
    """

    element: str
    electrons: int
    mass_fraction: float


@dataclass(frozen=True, slots=True)
class Metal:
    """A sheet metal, and what is known about etching it before any reading.

    :param name: lower case with hyphens.
    :param title: name for a person.
    :param density_source: where the density comes from.
    :param bath_sd: standard deviation of ln(bite factor) from bath to bath. Source: common
        practice, no source.
    :param run_sd: standard deviation of ln(bite factor) from run to run in one bath. Source: as
        above.
    :param etch_factor: median of depth over undercut per side; its logarithm has
        ``etch_factor_sd``. Source: as above. Photo-etching figures of 1.5 to 3.5 come from spray
        etching and do not apply here.
    :param soak_um_per_min: attack by the bath without current, a guess within a factor of four.
        Source: common practice, no source. Copper is autocatalytic.
    :param not_in_nitric_because: why the metal must not be etched in dilute nitric acid, in whole
        sentences for a person, or None where it may.
    :param other_densities_g_per_cm3: other published densities, each with its source. The depth
        changes by the same share.
    """

    name: str
    title: str
    parts: tuple[Part, ...]
    density_g_per_cm3: float
    density_source: str
    bath_sd: float = 0.25
    run_sd: float = 0.10
    etch_factor: float = 1.2
    etch_factor_sd: float = 0.35
    soak_um_per_min: float = 0.2
    not_in_nitric_because: str | None = None
    other_densities_g_per_cm3: tuple[tuple[float, str], ...] = ()

    @property
    def equivalent_weight_g_per_mol(self) -> float:
        """Grams dissolved per mole of electrons. Source: ASTM G102 section 4."""
        return 1.0 / sum(
            part.electrons * part.mass_fraction / ATOMIC_WEIGHT_G_PER_MOL[part.element]
            for part in self.parts
        )

    @property
    def mm3_per_coulomb(self) -> float:
        """Volume removed per coulomb at bite factor 1, mm3/C: EW / (F rho)."""
        return (
            self.equivalent_weight_g_per_mol
            / (FARADAY_COULOMBS_PER_MOL * self.density_g_per_cm3)
            * MM3_PER_CM3
        )


_SILVER_SD = (0.10, 0.05)
_COPPER_SD = (0.15, 0.07)
"""Standard deviations of ln(bite factor), bath to bath and run to run. Source: common practice, no
source."""

_SEE_SHEETS = "Read the safety data sheets of the metal and of the acid first."

_ALL = (
    Metal(
        "fine-silver",
        "fine silver",
        (Part("Ag", 1, 1.0),),
        10.5,
        "handbook value as in periodictable and mendeleev",
        *_SILVER_SD,
        soak_um_per_min=0.05,
        other_densities_g_per_cm3=((10.49, "common handbook value, read in a secondary source"),),
    ),
    Metal(
        "sterling-silver",
        "sterling silver 925",
        (Part("Ag", 1, 0.925), Part("Cu", 2, 0.075)),
        10.36,
        "ESPI Metals technical data",
        *_SILVER_SD,
        soak_um_per_min=0.05,
        other_densities_g_per_cm3=(
            (10.40, "a jewellers' table"),
            (10.366, "rule of mixtures from 10.5 and 8.96 g/cm3"),
        ),
    ),
    Metal(
        "britannia-silver",
        "Britannia silver 958",
        (Part("Ag", 1, 0.9584), Part("Cu", 2, 0.0416)),
        10.425,
        "rule of mixtures from 10.5 and 8.96 g/cm3",
        *_SILVER_SD,
        soak_um_per_min=0.05,
    ),
    Metal(
        "copper",
        "copper, two electrons",
        (Part("Cu", 2, 1.0),),
        8.96,
        "handbook value as in periodictable",
        *_COPPER_SD,
        other_densities_g_per_cm3=((8.92, "MISUMI surface finishing tutorial 166"),),
    ),
    Metal(
        "copper-1",
        "copper, one electron",
        (Part("Cu", 1, 1.0),),
        8.96,
        "handbook value as in periodictable",
        *_COPPER_SD,
        other_densities_g_per_cm3=((8.92, "MISUMI surface finishing tutorial 166"),),
    ),
    Metal(
        "brass-70-30",
        "brass 70/30, C26000",
        (Part("Cu", 2, 0.7), Part("Zn", 2, 0.3)),
        8.53,
        "C26000 data sheet (ASTM B36); the rule of mixtures is 2.4 % low for brass",
    ),
    Metal(
        "bronze",
        "phosphor bronze 5 % tin, C51000",
        (Part("Cu", 2, 0.95), Part("Sn", 4, 0.05)),  # Sn(IV); EW is 2.7 % larger as Sn(II)
        8.86,
        "phosphor bronze 5 % A data sheets (ASTM B139)",
        not_in_nitric_because=(
            "Nitric acid turns the tin into insoluble tin oxide: white sludge settles on the work "
            f"and fouls the bath. {_SEE_SHEETS}"
        ),
    ),
    Metal(
        "nickel-silver",
        "nickel silver 65/18/17, C75200",
        (Part("Cu", 2, 0.65), Part("Ni", 2, 0.18), Part("Zn", 2, 0.17)),
        8.73,
        "Copper Development Association C75200, from memory",
        not_in_nitric_because=(
            "Nickel dissolves into the bath and its mist. Nickel salts sensitise the skin and can "
            "cause cancer when inhaled, and the spent bath is another kind of waste. "
            f"{_SEE_SHEETS}"
        ),
    ),
    Metal(
        "zinc",
        "zinc",
        (Part("Zn", 2, 1.0),),
        7.133,
        "handbook value as in periodictable",
        not_in_nitric_because=(
            "It dissolves in nitric acid without current, fast, hot and with brown fumes, so the "
            f"counted charge says nothing about the depth. {_SEE_SHEETS}"
        ),
        other_densities_g_per_cm3=(
            (7.134, "mendeleev"),
            (7.14, "OpenStax Chemistry 2e, section 17.7"),
            (7.1, "MISUMI tutorial 166"),
        ),
    ),
    Metal(
        "nickel",
        "nickel",
        (Part("Ni", 2, 1.0),),
        8.902,
        "handbook value as in periodictable",
        not_in_nitric_because=(
            "It passivates as an anode in an oxidising acid without chloride, so the charge may "
            "not dissolve it. What dissolves are nickel salts, which sensitise the skin and can "
            f"cause cancer when inhaled. {_SEE_SHEETS}"
        ),
        other_densities_g_per_cm3=((8.9, "mendeleev; MISUMI tutorial 166"),),
    ),
    Metal(
        "steel",
        "steel, counted as iron with two electrons",
        (Part("Fe", 2, 1.0),),
        7.874,
        "iron, handbook value as in periodictable",
        not_in_nitric_because=(
            "Dilute nitric acid dissolves it without current and with brown fumes; strong acid "
            "passivates it. Either way the counted charge says nothing about the depth. "
            f"{_SEE_SHEETS}"
        ),
        other_densities_g_per_cm3=(
            (7.87, "mendeleev; ASTM G102 examples"),
            (7.9, "MISUMI tutorial 166"),
            (7.85, "plain carbon steel, from memory"),
        ),
    ),
    Metal(
        "stainless-304",
        "stainless steel 304",
        (Part("Fe", 2, 0.7175), Part("Cr", 3, 0.19), Part("Ni", 2, 0.0925)),
        8.0,
        "304 data sheet; composition: ESPI Metals, nominal",
        not_in_nitric_because=(
            "Nitric acid passivates it. Forced by a higher voltage, it dissolves with six "
            "electrons for each chromium atom (equivalent weight 19.7 instead of 25.1 g/mol) "
            f"as hexavalent chromium, which is poisonous and causes cancer. {_SEE_SHEETS}"
        ),
        other_densities_g_per_cm3=(
            (7.93, "EN 1.4301 data sheets"),
            (8.03, "another 304 data sheet"),
        ),
    ),
    Metal(
        "aluminium",
        "aluminium",
        (Part("Al", 3, 1.0),),
        2.6989,
        "handbook value as in periodictable",
        not_in_nitric_because=(
            "Its oxide film resists nitric acid and grows thicker under current: the charge makes "
            f"oxide and heat instead of depth. {_SEE_SHEETS}"
        ),
        other_densities_g_per_cm3=((2.7, "mendeleev"),),
    ),
)
"""Compositions of alloys are mid-range by mass, as ASTM G102 requires. Reasons against nitric acid:
general inorganic chemistry, from memory; they do not replace a safety data sheet."""

METALS: Mapping[str, Metal] = {metal.name: metal for metal in _ALL}


def metal_named(
    name: str, density_g_per_cm3: float | None = None, etch_factor: float | None = None
) -> Metal:
    """Return the metal with that name, with the user's own density or etch factor where given.

    Raises: RefusedError, which lists the known names.
    """
    metal = METALS.get(name)
    if metal is None:
        raise RefusedError(
            "physics.metal.unknown", field="metal", name=repr(name), known=", ".join(METALS)
        )
    if density_g_per_cm3 is not None:
        metal = replace(
            metal,
            density_g_per_cm3=positive(density_g_per_cm3, "density_g_per_cm3", "g/cm3"),
            density_source=text("physics.metal.own_density"),
        )
    if etch_factor is not None:
        metal = replace(metal, etch_factor=positive(etch_factor, "etch_factor", ""))
    return metal


def removed_mass_g(charge_coulombs: float, metal: Metal, bite_factor: float = 1.0) -> float:
    """Return the mass in g that a charge in C dissolves. Source: Faraday's laws of electrolysis."""
    return (
        bite_factor * charge_coulombs * metal.equivalent_weight_g_per_mol / FARADAY_COULOMBS_PER_MOL
    )


def removed_volume_mm3(charge_coulombs: float, metal: Metal, bite_factor: float = 1.0) -> float:
    """Return the volume in mm3 that a charge in C dissolves."""
    return bite_factor * charge_coulombs * metal.mm3_per_coulomb
