"""Plan requests and plans."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict

from api.http.models.base import HASH, NAME, NO_UNIT, PLAIN_TEXT, Answer, RequestModel, number, said
from controller.artwork.limits import MAX_LISTED_LINES
from controller.planning.json_form import plan_to_json
from controller.planning.request import MAX_GAUGE_STOPS
from controller.planning.run_plan import RunPlan
from controller.recording.baths import MAX_NAME

MAX_GROWTH_PAIRS = 1000
"""Pairs of a growth curve: an artwork measured every 0.001 mm up to 1 mm."""

GrowthPair = tuple[
    Annotated[float, number("Growth into the resist, s.", "mm", 0.05, ge=0.0, le=100.0)],
    Annotated[float, number("Open area after it.", "mm2", 812.0, ge=0.01, le=1e6)],
]

GaugeStop = Annotated[float, number("Depth.", "mm", 0.188, ge=1e-4, le=10.0)]


class NarrowLineBody(RequestModel):
    """A narrow resist line where it is narrowest."""

    x_mm: Annotated[float, number("From the artwork's left edge.", "mm", 12.4, ge=-1e3, le=1e3)]
    y_mm: Annotated[float, number("From its top edge.", "mm", 7.1, ge=-1e3, le=1e3)]
    width_mm: Annotated[float, number("Width across the line.", "mm", 0.31, ge=1e-4, le=100.0)]


class PlanRequestBody(RequestModel):
    """A piece to be planned. Lengths in mm, areas in mm2.

    Give either the depth or the charge, and either the current or the current density. With ``artwork`` everything that was
    measured of it may be left out and is filled in: area_mm2, edge_mm, growth_mm2, area_uncertainty_fraction, narrow_lines and
    narrowest_open_mm. The lower bounds lie far below anything that can be etched and keep the arithmetic finite.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "metal": "fine-silver",
                    "area_mm2": 767.0,
                    "depth_mm": 0.25,
                    "current_a": 3.0,
                    "thickness_mm": 1.2,
                }
            ]
        }
    )

    metal: Annotated[
        str,
        said(
            "Name of the metal, see /api/metals.",
            NO_UNIT,
            "fine-silver",
            max_length=40,
            pattern=NAME,
        ),
    ]
    area_mm2: Annotated[
        float | None,
        number(
            "Open area of one artwork at the start; may be left out with artwork or growth_mm2.",
            "mm2",
            767.0,
            ge=0.01,
            le=1e6,
        ),
    ] = None
    depth_mm: Annotated[
        float | None,
        number(
            "Target: mean depth of an open floor; or else charge_coulombs.",
            "mm",
            0.25,
            ge=1e-4,
            le=10.0,
        ),
    ] = None
    charge_coulombs: Annotated[
        float | None, number("Target charge, instead of the depth.", "C", 1800.0, ge=1e-3, le=1e8)
    ] = None
    current_a: Annotated[
        float | None, number("Current that the supply will give.", "A", 3.0, ge=1e-3, le=1000.0)
    ] = None
    density_a_per_dm2: Annotated[
        float | None,
        number("Current density, instead of the current.", "A/dm2", 15.0, ge=1e-3, le=1000.0),
    ] = None
    edge_mm: Annotated[
        float,
        number(
            "Length of the edges between metal and resist of one artwork; 0 when unknown.",
            "mm",
            310.0,
            ge=0.0,
            le=1e6,
        ),
    ] = 0.0
    thickness_mm: Annotated[
        float | None,
        number(
            "Sheet thickness; without it nothing guards against etching through.",
            "mm",
            1.2,
            ge=0.01,
            le=100.0,
        ),
    ] = None
    sheet_mm2: Annotated[
        float | None,
        number(
            "Bare size of the sheet, for the share of metal lost.", "mm2", 1500.0, ge=0.01, le=1e7
        ),
    ] = None
    pieces: Annotated[
        int, said("Copies of the artwork on the plate.", NO_UNIT, 1, strict=True, ge=1, le=500)
    ] = 1
    sides: Annotated[
        int, said("Sides of the sheet that are etched.", NO_UNIT, 1, strict=True, ge=1, le=2)
    ] = 1
    other_bare_mm2: Annotated[
        float,
        number(
            "Bare metal that etches along: contact tab, untaped edges and back.",
            "mm2",
            120.0,
            ge=0.0,
            le=1e6,
        ),
    ] = 0.0
    supply_mode: Annotated[
        Literal["constant-current", "constant-voltage"],
        said("How the supply is set.", NO_UNIT, "constant-current"),
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
        float,
        number("Standard deviation of the open area over itself.", NO_UNIT, 0.03, ge=1e-3, lt=0.5),
    ] = 0.03
    artwork: Annotated[
        str | None,
        said("Name of a measured artwork, see /api/artworks.", NO_UNIT, "3f" * 32, pattern=HASH),
    ] = None
    narrow_lines: Annotated[
        tuple[NarrowLineBody, ...],
        said(
            "Resist lines that an undercut could eat through.",
            NO_UNIT,
            [{"x_mm": 12.4, "y_mm": 7.1, "width_mm": 0.31}],
            max_length=MAX_LISTED_LINES,
        ),
    ] = ()
    narrowest_open_mm: Annotated[
        float | None, number("Narrowest opening of the artwork.", "mm", 0.22, ge=1e-4, le=1e3)
    ] = None
    film_mm: Annotated[float, number("Thickness of the resist.", "mm", 0.045, ge=1e-4, le=1.0)] = (
        0.045
    )
    bath: Annotated[
        str | None,
        said(
            "Name of the bath, see /api/baths; without it nothing is learned.",
            NO_UNIT,
            "silver bath of March",
            min_length=1,
            max_length=MAX_NAME,
            pattern=PLAIN_TEXT,
        ),
    ] = None
    bath_volume_l: Annotated[
        float | None, number("Volume of the bath, for its warming.", "L", 1.0, ge=1e-3, le=1e4)
    ] = None
    expected_voltage_v: Annotated[
        float,
        number("Cell voltage that power and heat are counted with.", "V", 3.0, ge=1e-2, le=100.0),
    ] = 3.0
    stop_policy: Annotated[
        Literal["best-estimate", "never-deeper"],
        said(
            "Stop when the best estimate reaches the target, or already when the upper bound does.",
            NO_UNIT,
            "best-estimate",
        ),
    ] = "best-estimate"
    gauge_stops_mm: Annotated[
        tuple[GaugeStop, ...],
        said(
            "Depths at which the run pauses to be gauged.",
            "mm",
            [0.188],
            max_length=MAX_GAUGE_STOPS,
        ),
    ] = ()
    piece: Annotated[
        str, said("Name of the piece.", NO_UNIT, "fern brooch", max_length=80, pattern=PLAIN_TEXT)
    ] = ""


class PlanWarningAnswer(Answer):
    """What may go wrong, beside the field that it belongs to."""

    field: Annotated[str, said("Name of the field.", NO_UNIT, "edge_mm")]
    text: Annotated[
        str,
        said(
            "What may go wrong and what to do.",
            NO_UNIT,
            "The edge length is not known and counts as 0 mm.",
        ),
    ]


class PlanAnswer(Answer):
    """The plan: everything that is fixed when a run starts."""

    request: Annotated[
        PlanRequestBody,
        said(
            "What was asked for.",
            NO_UNIT,
            {"metal": "fine-silver", "area_mm2": 767.0, "depth_mm": 0.25, "current_a": 3.0},
        ),
    ]
    metal: Annotated[str, said("Name of the metal.", NO_UNIT, "fine-silver")]
    density_g_per_cm3: Annotated[float, said("Density that the plan counts with.", "g/cm3", 10.5)]
    density_source: Annotated[
        str, said("Where the density comes from.", NO_UNIT, "given by the user")
    ]
    total_area_mm2: Annotated[float, said("Everything bare that hangs in the bath.", "mm2", 767.0)]
    target_depth_mm: Annotated[float, said("Depth that the run stops at.", "mm", 0.25)]
    charge_coulombs: Annotated[float, said("Charge at which the run stops.", "C", 1801.2)]
    duration_s: Annotated[float, said("Relay-on time at the planned current.", "s", 600.4)]
    current_a: Annotated[float, said("Planned current at the start.", "A", 3.0)]
    end_current_a: Annotated[
        float,
        said(
            "Current expected at the end; larger in constant voltage, as the area grows.", "A", 3.0
        ),
    ]
    current_density_a_per_dm2: Annotated[
        float, said("Current over the open area at the start.", "A/dm2", 39.1)
    ]
    metal_removed_g: Annotated[float, said("Metal that goes into the bath.", "g", 2.01)]
    metal_removed_fraction: Annotated[
        float | None,
        said("Share of the sheet; null when its size or thickness was not given.", NO_UNIT, 0.107),
    ]
    volume_removed_mm3: Annotated[float, said("Volume of it.", "mm3", 191.8)]
    depth_low_mm: Annotated[
        float, said("Lower end of the depth's 95 % interval at the end.", "mm", 0.199)
    ]
    depth_high_mm: Annotated[
        float, said("Upper end of the depth's 95 % interval at the end.", "mm", 0.312)
    ]
    power_w: Annotated[float, said("Electrical power at the expected voltage.", "W", 9.0)]
    heat_j: Annotated[float, said("Heat of the whole run.", "J", 5403.6)]
    warming_k: Annotated[
        float | None,
        said("Expected warming of the bath; null when its volume was not given.", "K", 1.29),
    ]
    range_fraction: Annotated[
        float, said("Share of the sensor's range that the over-current limit uses.", NO_UNIT, 0.24)
    ]
    gauge_stops_mm: Annotated[
        tuple[float, ...], said("Depths at which the run pauses to be gauged.", "mm", [0.188])
    ]
    offered_gauge_stops_mm: Annotated[
        tuple[float, ...], said("Gauge stops that are advised and not asked for.", "mm", [0.188])
    ]
    bite_factor: Annotated[
        float, said("Metal really removed over Faraday's, best estimate.", NO_UNIT, 1.0)
    ]
    bite_factor_sd: Annotated[float, said("Standard deviation of its logarithm.", NO_UNIT, 0.112)]
    etch_factor: Annotated[float, said("Depth over undercut per side.", NO_UNIT, 1.2)]
    etch_factor_low: Annotated[
        float, said("Its 10 % point: lost lines are judged here.", NO_UNIT, 0.77)
    ]
    etch_factor_high: Annotated[
        float, said("Its 90 % point: too deep is judged here.", NO_UNIT, 1.88)
    ]
    max_on_time_s: Annotated[float, said("Ceiling on relay-on time.", "s", 900.6)]
    max_charge_coulombs: Annotated[float, said("Ceiling on charge.", "C", 2251.5)]
    max_current_a: Annotated[float, said("Over-current limit.", "A", 3.9)]
    max_mean_depth_mm: Annotated[
        float | None,
        said(
            "Best estimate that trips depth_limit; null when no thickness was given.", "mm", 0.462
        ),
    ]
    warnings: Annotated[
        tuple[PlanWarningAnswer, ...],
        said(
            "What may go wrong though it can be done.",
            NO_UNIT,
            [{"field": "current_a", "text": "39.1 A/dm2 is brisk."}],
        ),
    ]

    @classmethod
    def of(cls, plan: RunPlan) -> PlanAnswer:
        """Return a plan, as the command line and the logbook have it too, without the inside of what is believed."""
        told = plan_to_json(plan)
        return cls.model_validate({name: told[name] for name in cls.model_fields})
