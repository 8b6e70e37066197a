"""Plans as JSON values, for the logbook and for scripts: units in the keys, and a request that can be planned again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any

from controller.errors import RefusedError
from controller.physics.faraday import Metal
from controller.physics.learning import Learner, Node, triple
from controller.planning.request import NarrowLine, PlanRequest
from controller.planning.run_plan import RunPlan

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
        raise RefusedError(
            f"the stored plan has {', '.join(unknown)}, which this version does not know: update biteclock"
        )
    known = dict(values)
    if known.get("growth_mm2") is not None:
        known["growth_mm2"] = tuple((float(s), float(a)) for s, a in known["growth_mm2"])
    known["narrow_lines"] = tuple(NarrowLine(**line) for line in known.get("narrow_lines") or ())
    known["gauge_stops_mm"] = tuple(known.get("gauge_stops_mm") or ())
    return PlanRequest(**known)


def learner_to_json(learner: Learner) -> list[dict[str, Any]]:
    """Return what was believed as JSON values, so that a run can be restored without its bath's history."""
    return [asdict(node) for node in learner.nodes]


def learner_from_json(values: Sequence[Mapping[str, Any]], metal: Metal) -> Learner:
    """Return what was believed. Raises: KeyError, TypeError or ValueError for values that are none."""
    nodes = []
    for value in values:
        first, second, third = (triple(float(x) for x in row) for row in value["covariance"])
        mean = triple(float(x) for x in value["mean"])
        nodes.append(
            Node(float(value["etch_factor"]), float(value["weight"]), mean, (first, second, third))
        )
    return Learner(metal, tuple(nodes))


def plan_to_json(plan: RunPlan) -> dict[str, Any]:
    """Return the plan as JSON values; ``request`` holds what was asked for."""
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
        "believed": learner_to_json(plan.learner),
        "warnings": [{"field": warning.field, "text": warning.text} for warning in plan.warnings],
    }
