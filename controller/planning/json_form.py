"""Plans as JSON values, for the logbook and for scripts. Units are in the keys."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from controller.errors import RefusedError
from controller.figures import PlaceFigures
from controller.physics.faraday import Metal, Part
from controller.physics.learning.stored import learner_from_json, learner_to_json
from controller.physics.places import Place
from controller.planning.attacked import attack_figures, bite_from_json, bite_to_json
from controller.planning.pieces_on_plate import piece_from_json
from controller.planning.request import NarrowLine, PlanRequest, growth_of
from controller.planning.run_plan import PlanWarning, RunPlan, place_figures
from controller.planning.targets import tables_for
from controller.texts import Message

_REQUEST_FIELDS = frozenset(field.name for field in fields(PlanRequest))


def request_to_json(request: PlanRequest) -> dict[str, Any]:
    """Return the request as JSON values."""
    return asdict(request)


def request_from_json(values: Mapping[str, Any]) -> PlanRequest:
    """Return the request in JSON values written by ``request_to_json``, also of an older version.

    Raises: RefusedError for keys that this version does not know.
    """
    unknown = sorted(set(values) - _REQUEST_FIELDS)
    if unknown:
        raise RefusedError("plan.stored.unknown_fields", names=", ".join(unknown))
    known = dict(values)
    if known.get("growth_mm2") is not None:
        known["growth_mm2"] = tuple((float(s), float(a)) for s, a in known["growth_mm2"])
    known["narrow_lines"] = tuple(NarrowLine(**line) for line in known.get("narrow_lines") or ())
    known["places"] = tuple(
        Place(**{**place, "ratios": tuple(map(float, place["ratios"]))})
        for place in known.get("places") or ()
    )
    known["pieces_on_plate"] = tuple(map(piece_from_json, known.get("pieces_on_plate") or ()))
    known["gauge_stops_mm"] = tuple(known.get("gauge_stops_mm") or ())
    return PlanRequest(**known)


def plan_to_json(plan: RunPlan) -> dict[str, Any]:
    """Return the plan as JSON values; ``request`` holds the request."""
    low, high = plan.belief.etch_factor_range()
    return {
        "request": request_to_json(plan.request),
        "metal": plan.metal.name,
        "density_g_per_cm3": plan.metal.density_g_per_cm3,
        "density_source": plan.metal.density_source,
        "total_area_mm2": plan.total_area_mm2,
        "target_depth_mm": plan.target_depth_mm,
        "charge_coulombs": plan.charge_coulombs,
        "duration_s": plan.duration_s,
        "current_a": plan.current_a,
        "end_current_a": plan.end_current_a,
        "current_density_a_per_dm2": plan.density_a_per_dm2,
        "metal_removed_g": plan.metal_removed_g,
        "metal_removed_fraction": plan.metal_removed_fraction,
        "volume_removed_mm3": plan.volume_removed_mm3,
        "depth_low_mm": plan.depth_low_mm,
        "depth_high_mm": plan.depth_high_mm,
        "power_w": plan.power_w,
        "heat_j": plan.heat_j,
        "warming_k": plan.warming_k,
        "range_fraction": plan.range_fraction,
        "gauge_stops_mm": list(plan.gauge_stops_mm),
        "offered_gauge_stops_mm": list(plan.offered_gauge_stops_mm),
        "bite_factor": plan.learner.bite_factor()[0],
        "bite_factor_sd": plan.learner.bite_factor()[1],
        "etch_factor": plan.belief.best_etch_factor,
        "etch_factor_low": low,
        "etch_factor_high": high,
        "max_on_time_s": plan.max_on_time_s,
        "max_charge_coulombs": plan.max_charge_coulombs,
        "max_current_a": plan.max_current_a,
        "max_mean_depth_mm": plan.max_mean_depth_mm,
        **attack_figures(plan),
        "least_metal_mm": plan.least_metal_mm,
        "metal_left_mm": plan.metal_left_mm(plan.charge_coulombs, plan.acid_s_at_stop),
        "target_place": plan.target_place,
        "places": [asdict(place) for place in places_of(plan)],
        "pieces": [asdict(piece) for piece in plan.pieces],
        "believed": learner_to_json(plan.learner),
        "warnings": [{"field": it.field, "text": str(it.message)} for it in plan.warnings],
    }


def places_of(plan: RunPlan) -> tuple[PlaceFigures, ...]:
    """Return the depth at each place when the run stops."""
    return place_figures(plan, plan.charge_coulombs, plan.acid_s_at_stop)


def plan_for_logbook(plan: RunPlan) -> dict[str, Any]:
    """Return the plan as JSON values from which ``plan_from_logbook`` makes it again."""
    values = plan_to_json(plan)
    for warning, it in zip(values["warnings"], plan.warnings, strict=True):
        warning["message"] = it.message.to_json()
    acid_bite = bite_to_json(plan.acid_bite)
    return {**values, "metal_as_planned": asdict(plan.metal), "acid_bite": acid_bite}


def plan_from_logbook(values: Mapping[str, Any], *, sure_a: float, drivable_a: float) -> RunPlan:
    """Return the plan that ``plan_for_logbook`` wrote.

    Its figures are those of the start, whatever the configuration is now. Only the depth table is
    computed again, from the belief at the start.
    :param sure_a: see RunPlan; of the sensor that is fitted now.
    :param drivable_a: see RunPlan; of the shunt that is fitted now.
    Raises: RefusedError as ``request_from_json``; KeyError, TypeError or ValueError for other
        values.
    """
    request = request_from_json(values["request"])
    metal = _metal_from_json(values["metal_as_planned"])
    learner = learner_from_json(values["believed"], metal)
    growth, belief = growth_of(request), learner.belief()
    tables = tables_for(request, growth, metal, belief)
    return RunPlan(
        request=request,
        metal=metal,
        growth=growth,
        learner=learner,
        belief=belief,
        table=tables.mean,
        target_table=tables.target,
        places=tables.places,
        deepest=tables.deepest,
        target_place=tables.target_place,
        least_metal_mm=values.get("least_metal_mm"),
        density_a_per_dm2=values["current_density_a_per_dm2"],
        sure_a=sure_a,
        drivable_a=drivable_a,
        gauge_stops_mm=tuple(values["gauge_stops_mm"]),
        offered_gauge_stops_mm=tuple(values["offered_gauge_stops_mm"]),
        warnings=tuple(_warning_from_json(warning) for warning in values["warnings"]),
        acid_bite=bite_from_json(values.get("acid_bite"), metal),
        **{name: values[name] for name in _AS_WRITTEN},
    )


_AS_WRITTEN = (
    "target_depth_mm",
    "total_area_mm2",
    "current_a",
    "end_current_a",
    "charge_coulombs",
    "duration_s",
    "metal_removed_g",
    "metal_removed_fraction",
    "volume_removed_mm3",
    "depth_low_mm",
    "depth_high_mm",
    "power_w",
    "heat_j",
    "warming_k",
    "range_fraction",
    "max_on_time_s",
    "max_charge_coulombs",
    "max_current_a",
    "max_mean_depth_mm",
)
"""Figures of the plan that are numbers of the same name in its JSON values."""


def _warning_from_json(values: Mapping[str, Any]) -> PlanWarning:
    """Return a stored warning. An older version stored the sentence alone."""
    if "message" in values:
        return PlanWarning(values["field"], Message.from_json(values["message"]))
    return PlanWarning(values["field"], Message("plan.stored.warning", {"text": values["text"]}))


def _metal_from_json(values: Mapping[str, Any]) -> Metal:
    known = dict(values)
    known["parts"] = tuple(Part(**part) for part in known["parts"])
    known["other_densities_g_per_cm3"] = tuple(
        (float(density), str(source)) for density, source in known["other_densities_g_per_cm3"]
    )
    return Metal(**known)
