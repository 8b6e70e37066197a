"""The metals and the prior figures for etching them."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described
from controller.physics.faraday import Metal


class MetalPart(Answer):
    """One element of an alloy as it dissolves."""

    element: Annotated[str, described("Symbol.", NO_UNIT, "Ag")]
    electrons: Annotated[int, described("Electrons per atom.", NO_UNIT, 1)]
    mass_fraction: Annotated[float, described("Share of the alloy's mass.", NO_UNIT, 0.925)]


class OtherDensity(Answer):
    """Another published density."""

    density_g_per_cm3: Annotated[float, described("Density.", "g/cm3", 10.4)]
    source: Annotated[str, described("Where it comes from.", NO_UNIT, "a jewellers' table")]


class MetalAnswer(Answer):
    """A sheet metal and the prior figures for etching it. The user's own figures override them."""

    name: Annotated[str, described("Name, lower case with hyphens.", NO_UNIT, "sterling-silver")]
    title: Annotated[str, described("Name for a person.", NO_UNIT, "sterling silver 925")]
    parts: Annotated[
        tuple[MetalPart, ...],
        described(
            "What it is made of.",
            NO_UNIT,
            [{"element": "Ag", "electrons": 1, "mass_fraction": 0.925}],
        ),
    ]
    density_g_per_cm3: Annotated[float, described("Density.", "g/cm3", 10.36)]
    density_source: Annotated[
        str, described("Where the density comes from.", NO_UNIT, "given by the user")
    ]
    other_densities: Annotated[
        tuple[OtherDensity, ...],
        described(
            "Other published densities.",
            NO_UNIT,
            [{"density_g_per_cm3": 10.4, "source": "a jewellers' table"}],
        ),
    ]
    equivalent_weight_g_per_mol: Annotated[
        float, described("Mass dissolved per mole of electrons.", "g/mol", 91.4)
    ]
    mm3_per_coulomb: Annotated[
        float, described("Volume removed per coulomb at bite factor 1.", "mm3/C", 0.0914)
    ]
    etch_factor: Annotated[
        float, described("Median of depth over undercut per side.", NO_UNIT, 1.2)
    ]
    etch_factor_sd: Annotated[
        float, described("Standard deviation of its logarithm.", NO_UNIT, 0.35)
    ]
    bath_sd: Annotated[
        float, described("Standard deviation of ln(bite factor) from bath to bath.", NO_UNIT, 0.1)
    ]
    run_sd: Annotated[
        float, described("Standard deviation of ln(bite factor) from run to run.", NO_UNIT, 0.05)
    ]
    soak_um_per_min: Annotated[
        float,
        described(
            "Attack by the bath without current, a guess within a factor of four.", "um/min", 0.05
        ),
    ]
    not_in_nitric_because: Annotated[
        str | None,
        described(
            "Why it must not be etched in dilute nitric acid, or null.", NO_UNIT, "it passivates"
        ),
    ]

    @classmethod
    def of(cls, metal: Metal) -> MetalAnswer:
        """Return a metal."""
        known = {
            name: getattr(metal, name) for name in cls.model_fields if name != "other_densities"
        }
        others = tuple(
            OtherDensity(density_g_per_cm3=density_g_per_cm3, source=source)
            for density_g_per_cm3, source in metal.other_densities_g_per_cm3
        )
        return cls(**known, other_densities=others)


class MetalList(Answer):
    """The metals that a plan can name."""

    metals: Annotated[
        tuple[MetalAnswer, ...],
        described(
            "In the order in which to offer them.",
            NO_UNIT,
            [
                {
                    "name": "fine-silver",
                    "title": "fine silver",
                    "parts": [{"element": "Ag", "electrons": 1, "mass_fraction": 1.0}],
                    "density_g_per_cm3": 10.5,
                    "density_source": "handbook value",
                    "other_densities": [],
                    "equivalent_weight_g_per_mol": 107.8682,
                    "mm3_per_coulomb": 0.1065,
                    "etch_factor": 1.2,
                    "etch_factor_sd": 0.35,
                    "bath_sd": 0.1,
                    "run_sd": 0.05,
                    "soak_um_per_min": 0.05,
                    "not_in_nitric_because": None,
                }
            ],
        ),
    ]
