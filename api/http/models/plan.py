"""The plan of a run, with its warnings."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described
from api.http.models.places import PlaceDepthAnswer, PlacesField, TargetPlaceField
from api.http.models.plan_request import PlanRequestBody
from controller.planning.json_form import places_of, plan_to_json
from controller.planning.run_plan import RunPlan


class PlanWarningAnswer(Answer):
    """What may go wrong, with the field that it concerns."""

    field: Annotated[str, described("Name of the field.", NO_UNIT, "edge_mm")]
    text: Annotated[
        str,
        described(
            "What may go wrong and what to do.",
            NO_UNIT,
            "The edge length is not known and counts as 0 mm.",
        ),
    ]


class PlannedPieceAnswer(Answer):
    """A piece of a plate of several artworks."""

    name: Annotated[str, described("Name of its file.", NO_UNIT, "fern brooch.pdf")]
    x_mm: Annotated[float, described("Left edge of the turned piece, on the plate.", "mm", 5.0)]
    y_mm: Annotated[float, described("Its top edge.", "mm", 5.0)]
    degrees: Annotated[float, described("Turned clockwise.", "degrees", 90.0)]
    area_mm2: Annotated[float, described("Its open area.", "mm2", 356.2)]
    share_of_area: Annotated[
        float, described("Its share of the open area of all pieces.", NO_UNIT, 0.44)
    ]
    edge_mm: Annotated[float, described("Length of its edges.", "mm", 320.1)]
    lost_line_count: Annotated[
        int, described("Resist lines that will not survive at the target.", NO_UNIT, 0)
    ]


class PlanAnswer(Answer):
    """The plan: everything that is fixed when a run starts."""

    request: Annotated[
        PlanRequestBody,
        described(
            "What was asked for.",
            NO_UNIT,
            {"metal": "fine-silver", "area_mm2": 767.0, "depth_mm": 0.25, "current_a": 3.0},
        ),
    ]
    metal: Annotated[str, described("Name of the metal.", NO_UNIT, "fine-silver")]
    density_g_per_cm3: Annotated[float, described("Density that the plan uses.", "g/cm3", 10.5)]
    density_source: Annotated[
        str, described("Where the density comes from.", NO_UNIT, "given by the user")
    ]
    total_area_mm2: Annotated[float, described("All bare metal in the bath.", "mm2", 767.0)]
    target_depth_mm: Annotated[float, described("Depth that the run stops at.", "mm", 0.25)]
    charge_coulombs: Annotated[float, described("Charge at which the run stops.", "C", 1801.2)]
    duration_s: Annotated[float, described("Relay-on time at the planned current.", "s", 600.4)]
    current_a: Annotated[float, described("Planned current at the start.", "A", 3.0)]
    end_current_a: Annotated[
        float,
        described(
            "Current expected at the end; larger in constant voltage, as the area grows.", "A", 3.0
        ),
    ]
    current_density_a_per_dm2: Annotated[
        float, described("Current over the open area at the start.", "A/dm2", 39.1)
    ]
    metal_removed_g: Annotated[float, described("Metal that goes into the bath.", "g", 2.01)]
    metal_removed_fraction: Annotated[
        float | None,
        described(
            "Share of the sheet; null when its size or thickness was not given.", NO_UNIT, 0.107
        ),
    ]
    volume_removed_mm3: Annotated[float, described("Volume of it.", "mm3", 191.8)]
    depth_low_mm: Annotated[
        float, described("Lower end of the target place's 95 % interval.", "mm", 0.199)
    ]
    depth_high_mm: Annotated[
        float, described("Upper end of the target place's 95 % interval.", "mm", 0.312)
    ]
    power_w: Annotated[float, described("Electrical power at the expected voltage.", "W", 9.0)]
    heat_j: Annotated[float, described("Heat of the whole run.", "J", 5403.6)]
    warming_k: Annotated[
        float | None,
        described("Expected warming of the bath; null when its volume was not given.", "K", 1.29),
    ]
    range_fraction: Annotated[
        float, described("The over-current limit as a share of the sensor's range.", NO_UNIT, 0.24)
    ]
    gauge_stops_mm: Annotated[
        tuple[float, ...], described("Depths at which the run pauses to be gauged.", "mm", [0.188])
    ]
    offered_gauge_stops_mm: Annotated[
        tuple[float, ...], described("Gauge stops that the planner suggests.", "mm", [0.188])
    ]
    bite_factor: Annotated[
        float, described("Metal removed over Faraday's prediction, best estimate.", NO_UNIT, 1.0)
    ]
    bite_factor_sd: Annotated[
        float, described("Standard deviation of its logarithm.", NO_UNIT, 0.112)
    ]
    etch_factor: Annotated[float, described("Depth over undercut per side.", NO_UNIT, 1.2)]
    etch_factor_low: Annotated[
        float, described("Its 10 % point, used to judge which lines are lost.", NO_UNIT, 0.77)
    ]
    etch_factor_high: Annotated[
        float, described("Its 90 % point, used to judge what gets too deep.", NO_UNIT, 1.88)
    ]
    max_on_time_s: Annotated[float, described("Ceiling on relay-on time.", "s", 900.6)]
    max_charge_coulombs: Annotated[float, described("Ceiling on charge.", "C", 2251.5)]
    max_current_a: Annotated[float, described("Over-current limit.", "A", 3.9)]
    max_mean_depth_mm: Annotated[
        float | None,
        described(
            "Best estimate at which the run trips with depth_limit; null without a thickness.",
            "mm",
            0.462,
        ),
    ]
    attack_um_per_min: Annotated[
        float, described("What the acid dissolves by itself, best estimate.", "um/min", 0.05)
    ]
    attack_low_um_per_min: Annotated[float, described("Its 2.5 % point.", "um/min", 0.007)]
    attack_high_um_per_min: Annotated[float, described("Its 97.5 % point.", "um/min", 0.355)]
    attack_mm: Annotated[
        float,
        described("What the acid has dissolved by itself at the end; counted in.", "mm", 0.0005),
    ]
    attack_low_mm: Annotated[float, described("Its 2.5 % point.", "mm", 0.00007)]
    attack_high_mm: Annotated[float, described("Its 97.5 % point.", "mm", 0.0035)]
    least_metal_mm: Annotated[
        float | None,
        described(
            "Metal under the deepest place at which the run trips with depth_limit; null where "
            "places or thickness are not known.",
            "mm",
            0.6,
        ),
    ] = None
    metal_left_mm: Annotated[
        float | None,
        described(
            "Metal left under the deepest place when the run stops, at the upper end of its depth.",
            "mm",
            0.78,
        ),
    ] = None
    target_place: TargetPlaceField = None
    places: PlacesField = ()
    pieces: Annotated[
        tuple[PlannedPieceAnswer, ...],
        described("The pieces of a plate of several artworks; empty for one.", NO_UNIT, []),
    ] = ()
    warnings: Annotated[
        tuple[PlanWarningAnswer, ...],
        described(
            "What may go wrong. The plan can still be run.",
            NO_UNIT,
            [{"field": "current_a", "text": "39.1 A/dm2 is brisk."}],
        ),
    ]

    @classmethod
    def of(cls, plan: RunPlan) -> PlanAnswer:
        """Return a plan, as the command line and the logbook have it, without the priors."""
        values = plan_to_json(plan)
        values["places"] = tuple(map(PlaceDepthAnswer.of, places_of(plan)))
        return cls.model_validate({name: values[name] for name in cls.model_fields})
