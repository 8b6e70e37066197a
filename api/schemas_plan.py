"""From a wish to numbers: what is asked for, the plan, the metals."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict

from api.schemas import NAME, NO_UNIT, PLAIN_TEXT, Answer, Wish, number, said
from controller.faraday import Metal
from controller.plan_json import plan_to_json, request_from_json
from controller.plan_request import PlanRequest
from controller.run_plan import RunPlan

MAX_GROWTH_PAIRS = 1000
"""Pairs of a growth curve: an artwork measured every 0.001 mm up to 1 mm."""

GrowthPair = tuple[
    Annotated[float, number("Growth into the resist, s.", "mm", 0.05, ge=0.0, le=100.0)],
    Annotated[float, number("Open area after it.", "mm2", 812.0, ge=0.01, le=1e6)],
]


class PlanWish(Wish):
    """What a person tells of the piece. Lengths in mm, areas in mm2. Give either the current or the current density.

    The lower bounds lie far below anything that can be etched and keep the arithmetic finite.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"metal": "fine-silver", "area_mm2": 767.0, "depth_mm": 0.25, "current_a": 3.0, "thickness_mm": 1.2}]
        }
    )

    metal: Annotated[str, said("Name of the metal, see /api/metals.", NO_UNIT, "fine-silver", max_length=40, pattern=NAME)]
    area_mm2: Annotated[float, number("Open area of one artwork at the start.", "mm2", 767.0, ge=0.01, le=1e6)]
    depth_mm: Annotated[float, number("Target: mean depth of an open floor.", "mm", 0.25, ge=1e-4, le=10.0)]
    current_a: Annotated[float | None, number("Current that the supply will give.", "A", 3.0, ge=1e-3, le=1000.0)] = None
    density_a_per_dm2: Annotated[
        float | None, number("Current density, instead of the current.", "A/dm2", 15.0, ge=1e-3, le=1000.0)
    ] = None
    edge_mm: Annotated[
        float,
        number("Length of the edges between metal and resist of one artwork; 0 when unknown.", "mm", 310.0, ge=0.0, le=1e6),
    ] = 0.0
    thickness_mm: Annotated[
        float | None,
        number("Sheet thickness; without it nothing guards against etching through.", "mm", 1.2, ge=0.01, le=100.0),
    ] = None
    pieces: Annotated[int, said("Copies of the artwork on the plate.", NO_UNIT, 1, strict=True, ge=1, le=500)] = 1
    sides: Annotated[int, said("Sides of the sheet that are etched.", NO_UNIT, 1, strict=True, ge=1, le=2)] = 1
    other_bare_mm2: Annotated[
        float,
        number("Bare metal that etches along: contact tab, untaped edges and back.", "mm2", 120.0, ge=0.0, le=1e6),
    ] = 0.0
    supply_mode: Annotated[
        Literal["constant-current", "constant-voltage"], said("How the supply is set.", NO_UNIT, "constant-current")
    ] = "constant-current"
    growth_mm2: Annotated[
        tuple[GrowthPair, ...] | None,
        said(
            "Measured growth curve of one artwork: pairs of growth into the resist in mm, rising from 0, and open area in mm2.",
            "mm2",
            [[0.0, 767.0], [0.1, 798.0]],
            min_length=2,
            max_length=MAX_GROWTH_PAIRS,
        ),
    ] = None
    area_uncertainty_fraction: Annotated[
        float, number("Standard deviation of the open area over itself.", NO_UNIT, 0.03, ge=1e-3, lt=0.5)
    ] = 0.03
    piece: Annotated[str, said("Name of the piece.", NO_UNIT, "fern brooch", max_length=80, pattern=PLAIN_TEXT)] = ""

    def request(self) -> PlanRequest:
        """Return it as the controller takes it."""
        return request_from_json(self.model_dump())


class PlanWarningAnswer(Answer):
    """What may go wrong, beside the field that it belongs to."""

    field: Annotated[str, said("Name of the field.", NO_UNIT, "edge_mm")]
    text: Annotated[str, said("What may go wrong and what to do.", NO_UNIT, "the edge length is unknown and counts as 0 mm")]


class PlanAnswer(Answer):
    """The plan: everything that is fixed when a run starts."""

    request: Annotated[
        PlanWish,
        said("What was asked for.", NO_UNIT, {"metal": "fine-silver", "area_mm2": 767.0, "depth_mm": 0.25, "current_a": 3.0}),
    ]
    metal: Annotated[str, said("Name of the metal.", NO_UNIT, "fine-silver")]
    density_g_per_cm3: Annotated[float, said("Density that the plan counts with.", "g/cm3", 10.5)]
    density_source: Annotated[str, said("Where the density comes from.", NO_UNIT, "given by the user")]
    total_area_mm2: Annotated[float, said("Everything bare that hangs in the bath.", "mm2", 767.0)]
    target_depth_mm: Annotated[float, said("Depth that the run stops at.", "mm", 0.25)]
    charge_coulombs: Annotated[float, said("Charge at which the run stops.", "C", 1801.2)]
    duration_s: Annotated[float, said("Relay-on time at the planned current.", "s", 600.4)]
    current_a: Annotated[float, said("Planned current at the start.", "A", 3.0)]
    end_current_a: Annotated[float, said("Current expected at the end; larger in constant voltage, as the area grows.", "A", 3.0)]
    current_density_a_per_dm2: Annotated[float, said("Current over the open area at the start.", "A/dm2", 39.1)]
    metal_removed_g: Annotated[float, said("Metal that goes into the bath.", "g", 2.01)]
    volume_removed_mm3: Annotated[float, said("Volume of it.", "mm3", 191.8)]
    depth_low_mm: Annotated[float, said("Lower end of the depth's 95 % interval at the end.", "mm", 0.199)]
    depth_high_mm: Annotated[float, said("Upper end of the depth's 95 % interval at the end.", "mm", 0.312)]
    bite_factor: Annotated[float, said("Metal really removed over Faraday's.", NO_UNIT, 1.0)]
    etch_factor: Annotated[float, said("Depth over undercut per side.", NO_UNIT, 1.2)]
    etch_factor_low: Annotated[float, said("Its 10 % point: lost lines are judged here.", NO_UNIT, 0.77)]
    etch_factor_high: Annotated[float, said("Its 90 % point: too deep is judged here.", NO_UNIT, 1.88)]
    max_on_time_s: Annotated[float, said("Ceiling on relay-on time.", "s", 900.6)]
    max_charge_coulombs: Annotated[float, said("Ceiling on charge.", "C", 2251.5)]
    max_current_a: Annotated[float, said("Over-current limit.", "A", 3.9)]
    max_mean_depth_mm: Annotated[
        float | None, said("Best estimate that trips depth_limit; null when no thickness was given.", "mm", 0.462)
    ]
    warnings: Annotated[
        tuple[PlanWarningAnswer, ...],
        said("What may go wrong though it can be done.", NO_UNIT, [{"field": "current_a", "text": "39.1 A/dm2 is brisk"}]),
    ]

    @classmethod
    def of(cls, plan: RunPlan) -> PlanAnswer:
        """Return a plan, as the command line and the logbook have it too."""
        return cls.model_validate(plan_to_json(plan))


class MetalPart(Answer):
    """One element of an alloy as it dissolves."""

    element: Annotated[str, said("Symbol.", NO_UNIT, "Ag")]
    electrons: Annotated[int, said("Electrons per atom.", NO_UNIT, 1)]
    mass_fraction: Annotated[float, said("Share of the alloy's mass.", NO_UNIT, 0.925)]


class OtherDensity(Answer):
    """Another published density."""

    density_g_per_cm3: Annotated[float, said("Density.", "g/cm3", 10.4)]
    source: Annotated[str, said("Where it comes from.", NO_UNIT, "a jewellers' table")]


class MetalAnswer(Answer):
    """A sheet metal and what is known beforehand about etching it, the user's own figures taken in."""

    name: Annotated[str, said("Name, lower case with hyphens.", NO_UNIT, "sterling-silver")]
    title: Annotated[str, said("Name for a person.", NO_UNIT, "sterling silver 925")]
    parts: Annotated[
        tuple[MetalPart, ...],
        said("What it is made of.", NO_UNIT, [{"element": "Ag", "electrons": 1, "mass_fraction": 0.925}]),
    ]
    density_g_per_cm3: Annotated[float, said("Density.", "g/cm3", 10.36)]
    density_source: Annotated[str, said("Where the density comes from.", NO_UNIT, "given by the user")]
    other_densities: Annotated[
        tuple[OtherDensity, ...],
        said("Other published densities.", NO_UNIT, [{"density_g_per_cm3": 10.4, "source": "a jewellers' table"}]),
    ]
    equivalent_weight_g_per_mol: Annotated[float, said("Mass dissolved per mole of electrons.", "g/mol", 91.4)]
    mm3_per_coulomb: Annotated[float, said("Volume removed per coulomb at bite factor 1.", "mm3/C", 0.0914)]
    etch_factor: Annotated[float, said("Median of depth over undercut per side.", NO_UNIT, 1.2)]
    etch_factor_sd: Annotated[float, said("Standard deviation of its logarithm.", NO_UNIT, 0.35)]
    bath_sd: Annotated[float, said("Standard deviation of ln(bite factor) from bath to bath.", NO_UNIT, 0.1)]
    run_sd: Annotated[float, said("Standard deviation of ln(bite factor) from run to run.", NO_UNIT, 0.05)]
    not_in_nitric_because: Annotated[
        str | None, said("Why it does not belong into a dilute nitric bath, or null.", NO_UNIT, "it passivates")
    ]

    @classmethod
    def of(cls, metal: Metal) -> MetalAnswer:
        """Return a metal."""
        known = {name: getattr(metal, name) for name in cls.model_fields if name != "other_densities"}
        others = tuple(
            OtherDensity(density_g_per_cm3=density_g_per_cm3, source=source)
            for density_g_per_cm3, source in metal.other_densities_g_per_cm3
        )
        return cls(**known, other_densities=others)


class MetalList(Answer):
    """The metals that a plan can name."""

    metals: Annotated[
        tuple[MetalAnswer, ...],
        said(
            "In the order to offer them.",
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
                    "not_in_nitric_because": None,
                }
            ],
        ),
    ]
