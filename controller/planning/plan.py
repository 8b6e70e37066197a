"""From a request to a plan: charge, time, heat and ceilings for a target depth. Pure.

warnings.py lists what may go wrong with a plan.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from controller.errors import RefusedError
from controller.physics.estimate import Belief
from controller.physics.faraday import Metal, metal_named, removed_mass_g
from controller.physics.learning import Learner, new_learner
from controller.physics.learning.merging import compacted
from controller.planning.attacked import attacked, mean_current_a, stop_at
from controller.planning.knowledge import Knowledge
from controller.planning.request import (
    PlanRequest,
    current_of,
    gauge_stops_of,
    growth_of,
)
from controller.planning.run_plan import RunPlan
from controller.planning.targets import PlanTables, least_metal_mm, tables_for
from controller.planning.warnings import Headroom, plan_warnings
from controller.units import JOULE_PER_L_K, MM3_PER_CM3, current_density_a_per_dm2, positive

if TYPE_CHECKING:
    from controller.config import LimitSettings, Settings

LIMIT_TO_RANGE_FRACTION = 0.85
"""The over-current limit must stay below this share of the sensor's range. Beyond it, a larger
current reads as a smaller one."""

SUPPLY_MAX_V = 15.0
"""Largest voltage of a supply, V: systemd/wiring.md allows no more, and every known sensor measures
it. The supply's current limit does not count: once the current is beyond the sensor's range, that
limit may have failed."""

LOOP_OHM = 0.05
"""Smallest resistance of supply, fuse, relay contact, leads and clips together, ohm. Common
practice, no source: 2 m of copper of 1.5 mm2 have 0.023 ohm, fuse and contact about 0.01 ohm
each."""

SHORTEST_RUN_S = 1.0
"""A shorter run has too few conversions of the sensor to stop on. The plan warns below
limits.min_run_s."""

OFFERED_GAUGE_STOP_FRACTION = 0.75
FIRST_RUNS = 3
"""A gauge stop at 75 % is offered for the first runs in a bath. Source: common practice, no
source."""


def make_plan(
    request: PlanRequest,
    settings: Settings,
    sensor_range_a: float,
    knowledge: Knowledge | None = None,
) -> RunPlan:
    """Return the plan for a request on this rig.

    :param sensor_range_a: full scale of the current measurement, A.
    :param knowledge: from earlier runs.
    Raises: RefusedError, with field, value and limit.
    """
    knowledge = knowledge or Knowledge()
    limits = settings.limits
    metal = planned_metal(request.metal, settings)
    growth = growth_of(request)
    total_area_mm2 = growth.area_mm2(0.0)
    current_a = current_of(request, total_area_mm2)
    learner = knowledge.learner or compacted(
        new_learner(metal, request.area_uncertainty_fraction, settings.rig.shunt_tolerance_fraction)
    )
    belief = learner.belief()
    tables = tables_for(request, growth, metal, belief)
    table, target_depth_mm = tables.target, tables.target_depth_mm
    end_area_mm2 = growth.area_mm2(_end_mean_mm(tables) / belief.best_etch_factor)
    constant_voltage = request.supply_mode == "constant-voltage"
    end_current_a = current_a * end_area_mm2 / total_area_mm2 if constant_voltage else current_a
    mean_a = 0.5 * (current_a + end_current_a)
    way = attacked(request, metal, growth, belief, table, target_depth_mm, mean_a, knowledge)
    target_depth_mm, charge_coulombs, estimate = way.target_mm, way.charge_coulombs, way.estimate
    duration_s = charge_coulombs / mean_a
    longest_s = way.bite.stop_charge(table, target_depth_mm, mean_a) / mean_a
    removed_g = removed_mass_g(way.total_coulombs, metal, learner.bite_factor()[0])
    max_current_a = limits.over_current_fraction * end_current_a
    power_w = positive(request.expected_voltage_v, "expected_voltage_v", "V") * mean_a
    _refuse_out_of_range(request, target_depth_mm, duration_s, max_current_a, sensor_range_a)
    plan = RunPlan(
        request=request,
        metal=metal,
        growth=growth,
        learner=learner,
        belief=belief,
        table=tables.mean,
        target_table=table,
        places=tables.places,
        deepest=tables.deepest,
        target_place=tables.target_place,
        target_depth_mm=target_depth_mm,
        total_area_mm2=total_area_mm2,
        current_a=current_a,
        end_current_a=end_current_a,
        charge_coulombs=charge_coulombs,
        duration_s=duration_s,
        metal_removed_g=removed_g,
        metal_removed_fraction=_share(removed_g, request, metal),
        volume_removed_mm3=removed_g / metal.density_g_per_cm3 * MM3_PER_CM3,
        density_a_per_dm2=current_density_a_per_dm2(current_a, total_area_mm2),
        depth_low_mm=estimate.low_mm,
        depth_high_mm=estimate.high_mm,
        power_w=power_w,
        heat_j=power_w * duration_s,
        warming_k=_warming_k(power_w * duration_s, request.bath_volume_l),
        sure_a=sure_current_a(sensor_range_a),
        drivable_a=drivable_current_a(settings),
        range_fraction=max_current_a / sensor_range_a,
        max_on_time_s=min(limits.over_time_fraction * longest_s, limits.max_run_s),
        max_charge_coulombs=charge_ceiling(
            table.charge_for_depth_coulombs(target_depth_mm), belief
        ),
        max_current_a=max_current_a,
        max_mean_depth_mm=_max_mean_depth(request, limits),
        least_metal_mm=least_metal_mm(request, limits),
        gauge_stops_mm=gauge_stops_of(request, target_depth_mm),
        offered_gauge_stops_mm=_offered_stops(request, target_depth_mm, knowledge),
        warnings=(),
        acid_bite=way.bite,
    )
    headroom = Headroom(sensor_range_a, knowledge.densest_tried_a_per_dm2)
    return replace(plan, warnings=plan_warnings(plan, limits, headroom))


def learned(plan: RunPlan, learner: Learner, acid_s_per_coulomb: float | None = None) -> RunPlan:
    """Return the plan after a reading: belief, depth table and stopping charge; ceilings stay.

    :param acid_s_per_coulomb: pace of the run's readings, see AcidBite; None without readings.
    """
    belief = learner.belief()
    target_mm = plan.target_depth_mm
    tables = tables_for(plan.request, plan.growth, plan.metal, belief, target_mm)
    bite = plan.acid_bite.after_readings(acid_s_per_coulomb)
    way = stop_at(bite, plan.request, tables.target, target_mm, mean_current_a(plan))
    return replace(
        plan,
        learner=learner,
        belief=belief,
        table=tables.mean,
        target_table=tables.target,
        places=tables.places,
        deepest=tables.deepest,
        charge_coulombs=way.charge_coulombs,
        depth_low_mm=way.estimate.low_mm,
        depth_high_mm=way.estimate.high_mm,
        acid_bite=bite,
    )


def sure_current_a(sensor_range_a: float) -> float:
    """Return the reading, A, above which peaks may be beyond the sensor's range."""
    return LIMIT_TO_RANGE_FRACTION * sensor_range_a


def drivable_current_a(settings: Settings) -> float:
    """Return the largest current, A, that a supply can drive through shunt and leads."""
    return SUPPLY_MAX_V / (settings.rig.shunt_ohm + LOOP_OHM)


def planned_metal(name: str, settings: Settings) -> Metal:
    """Return a metal with the user's own density and etch factor. Raises: RefusedError."""
    own = settings.metals.get(name)
    return metal_named(
        name,
        own.density_g_per_cm3 if own is not None else None,
        own.etch_factor if own is not None else None,
    )


def charge_ceiling(charge_coulombs: float, belief: Belief) -> float:
    """Return the ceiling on charge, C: the target's charge at the bite factor's lower bound."""
    return charge_coulombs * belief.best_bite_factor / belief.low_bite_factor()


def _end_mean_mm(tables: PlanTables) -> float:
    """Return the mean depth, mm, when the target place has its depth."""
    if tables.target_place is None:
        return tables.target_depth_mm
    charge_coulombs = tables.target.charge_for_depth_coulombs(tables.target_depth_mm)
    return tables.mean.at(charge_coulombs).best_mm


def _share(removed_g: float, request: PlanRequest, metal: Metal) -> float | None:
    if request.sheet_mm2 is None or request.thickness_mm is None:
        return None
    volume_mm3 = positive(request.sheet_mm2, "sheet_mm2", "mm2") * positive(
        request.thickness_mm, "thickness_mm", "mm"
    )
    return removed_g / (volume_mm3 / MM3_PER_CM3 * metal.density_g_per_cm3)


def _warming_k(heat_j: float, volume_l: float | None) -> float | None:
    """Return how much the heat warms the bath if none is lost, K."""
    return (
        None
        if volume_l is None
        else heat_j / (positive(volume_l, "bath_volume_l", "L") * JOULE_PER_L_K)
    )


def _max_mean_depth(request: PlanRequest, limits: LimitSettings) -> float | None:
    """Return the mean depth at which the deepest place has the allowed share of the sheet.

    It is None where the places are known: then the metal left is guarded.
    """
    if request.thickness_mm is None or request.places:
        return None
    return (
        limits.depth_of_thickness_fraction
        * request.thickness_mm
        / (limits.edge_depth_factor * request.sides)
    )


def _offered_stops(
    request: PlanRequest, target_depth_mm: float, knowledge: Knowledge
) -> tuple[float, ...]:
    if request.gauge_stops_mm or knowledge.runs_in_bath >= FIRST_RUNS:
        return ()
    return (OFFERED_GAUGE_STOP_FRACTION * target_depth_mm,)


def refuse_unseen_current(max_current_a: float, sensor_range_a: float) -> None:
    """Refuse an over-current limit so near the sensor's range that no sample could exceed it."""
    sure_a = sure_current_a(sensor_range_a)
    if max_current_a > sure_a:
        raise RefusedError(
            "plan.range.unseen_current",
            field="current_a",
            max_current_a=max_current_a,
            share_fraction=LIMIT_TO_RANGE_FRACTION,
            range_a=sensor_range_a,
            sure_a=sure_a,
        )


def _refuse_out_of_range(
    request: PlanRequest,
    target_depth_mm: float,
    duration_s: float,
    max_current_a: float,
    sensor_range_a: float,
) -> None:
    refuse_unseen_current(max_current_a, sensor_range_a)
    if duration_s < SHORTEST_RUN_S:
        raise RefusedError(
            "plan.range.too_short",
            field="current_a",
            duration_s=duration_s,
            limit_s=SHORTEST_RUN_S,
        )
    if request.thickness_mm is not None:
        thickness_mm = positive(request.thickness_mm, "thickness_mm", "mm")
        if target_depth_mm * request.sides >= thickness_mm:
            raise RefusedError(
                "plan.range.through_sheet",
                field="depth_mm",
                count=request.sides,
                depth_mm=target_depth_mm,
                thickness_mm=thickness_mm,
                limit_mm=thickness_mm / request.sides,
            )
