"""What may go wrong with a plan, with the reason. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.planning.attacked import attack_warnings
from controller.planning.run_plan import PlanWarning, RunPlan
from controller.texts import Message

if TYPE_CHECKING:
    from controller.config import LimitSettings

BRISK_A_PER_DM2 = 20.0
"""Current density from which the plan warns. Trade literature runs 5 to 15 A/dm2 (common practice,
no source)."""

TRIED_MARGIN = 1.1
"""A density up to this much above what has worked before passes without a warning."""

HEADROOM_WARNING_FRACTION = 0.70
"""The plan warns when the over-current limit is above this share of the sensor's range; above 85 %
it is refused."""

NARROW_OPENING_FILMS = 3.0
"""Openings narrower than about three film thicknesses start slowly. Source: common practice, no
source."""

WARMING_WARNING_K = 5.0
"""Warming that changes the resistance by 7 %: worth a larger bath (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Headroom:
    """What the warnings need beside plan and limits.

    :param sensor_range_a: full scale of the current measurement.
    :param densest_tried_a_per_dm2: densest finished run with this metal, or None.
    """

    sensor_range_a: float
    densest_tried_a_per_dm2: float | None


def plan_warnings(
    plan: RunPlan, limits: LimitSettings, headroom: Headroom
) -> tuple[PlanWarning, ...]:
    """Return the warnings, the piece's first, the electrical ones after them."""
    return (
        *_metal(plan),
        *_artwork(plan),
        *_sheet(plan, limits),
        *attack_warnings(plan),
        *_electrical(plan, headroom),
        *_time(plan, limits),
    )


def _metal(plan: RunPlan) -> Iterator[PlanWarning]:
    reason = plan.metal.not_in_nitric_because
    if reason is not None:
        values = {"metal": plan.metal.title, "reason": reason}
        yield PlanWarning("metal", Message("plan.warning.not_in_nitric", values))


def _artwork(plan: RunPlan) -> Iterator[PlanWarning]:
    request = plan.request
    if request.growth_mm2 is None and request.edge_mm == 0.0:
        yield PlanWarning("edge_mm", Message("plan.warning.no_edge_length"))
    etch_factor = plan.belief.etch_factor_range()[0]
    limit_mm = 2.0 * plan.target_depth_mm / etch_factor
    lost = [line for line in request.narrow_lines if line.width_mm < limit_mm]
    if lost:
        thinnest = min(lost, key=lambda line: line.width_mm)
        values = {
            "count": len(lost),
            "width_mm": thinnest.width_mm,
            "x_mm": thinnest.x_mm,
            "y_mm": thinnest.y_mm,
            "etch_factor": etch_factor,
            "limit_mm": limit_mm,
        }
        yield PlanWarning("depth_mm", Message("plan.warning.lost_lines", values))
    narrowest_mm = request.narrowest_open_mm
    if narrowest_mm is not None and narrowest_mm < NARROW_OPENING_FILMS * request.film_mm:
        values = {
            "width_mm": narrowest_mm,
            "films": NARROW_OPENING_FILMS,
            "film_mm": request.film_mm,
        }
        yield PlanWarning("artwork", Message("plan.warning.narrow_opening", values))


def _sheet(plan: RunPlan, limits: LimitSettings) -> Iterator[PlanWarning]:
    thickness_mm, limit_mm = plan.request.thickness_mm, plan.max_mean_depth_mm
    if plan.least_metal_mm is not None:
        yield from _metal_left(plan, limits)
        return
    if thickness_mm is None or limit_mm is None:
        yield PlanWarning("thickness_mm", Message("plan.warning.no_thickness"))
        return
    if plan.depth_high_mm <= limit_mm:
        return
    values = {
        "limit_mm": limit_mm,
        "target_mm": plan.target_depth_mm,
        "edge_factor": limits.edge_depth_factor,
        "share_fraction": limits.depth_of_thickness_fraction,
        "thickness_mm": thickness_mm,
    }
    if plan.target_depth_mm > limit_mm:
        yield PlanWarning("depth_mm", Message("plan.warning.depth_limit_sure", values))
    else:
        values = {**values, "high_mm": plan.depth_high_mm}
        yield PlanWarning("depth_mm", Message("plan.warning.depth_limit_possible", values))


def _metal_left(plan: RunPlan, limits: LimitSettings) -> Iterator[PlanWarning]:
    """Warn when the guard of the metal left will end the run early, or of a hole.

    The guard watches the best estimate of the depth.
    """
    stop = plan.charge_coulombs, plan.acid_s_at_stop
    left_mm, least_mm = plan.likely_metal_left_mm(*stop), plan.least_metal_mm
    thickness_mm, thinnest_mm = plan.request.thickness_mm, plan.metal_left_mm(*stop)
    if left_mm is None or least_mm is None or thickness_mm is None or thinnest_mm is None:
        return
    if left_mm > least_mm:
        if thinnest_mm <= 0.0:
            yield PlanWarning("depth_mm", Message("plan.warning.may_break_through"))
        return
    values = {
        "left_mm": max(0.0, left_mm),
        "limit_mm": least_mm,
        "share_fraction": limits.depth_of_thickness_fraction,
        "thickness_mm": thickness_mm,
    }
    yield PlanWarning("depth_mm", Message("plan.warning.metal_left", values))


def _electrical(plan: RunPlan, headroom: Headroom) -> Iterator[PlanWarning]:
    yield from _density(plan, headroom.densest_tried_a_per_dm2)
    if plan.range_fraction > HEADROOM_WARNING_FRACTION:
        values = {
            "max_current_a": plan.max_current_a,
            "share_fraction": plan.range_fraction,
            "range_a": headroom.sensor_range_a,
        }
        yield PlanWarning("current_a", Message("plan.warning.little_headroom", values))
    if plan.warming_k is not None and plan.warming_k > WARMING_WARNING_K:
        values = {
            "heat_kj": plan.heat_j / 1000.0,
            "warming_k": plan.warming_k,
            "limit_k": WARMING_WARNING_K,
        }
        yield PlanWarning("bath_volume_l", Message("plan.warning.warm_bath", values))


def _density(plan: RunPlan, tried_a_per_dm2: float | None) -> Iterator[PlanWarning]:
    density_a_per_dm2 = plan.density_a_per_dm2
    if density_a_per_dm2 <= BRISK_A_PER_DM2:
        return
    values = {"density_a_per_dm2": density_a_per_dm2, "limit_a_per_dm2": BRISK_A_PER_DM2}
    if tried_a_per_dm2 is None:
        yield PlanWarning("current_a", Message("plan.warning.brisk_untried", values))
    elif density_a_per_dm2 > TRIED_MARGIN * tried_a_per_dm2:
        values = {**values, "tried_a_per_dm2": tried_a_per_dm2}
        yield PlanWarning("current_a", Message("plan.warning.brisk_beyond_tried", values))


def _time(plan: RunPlan, limits: LimitSettings) -> Iterator[PlanWarning]:
    if plan.duration_s < limits.min_run_s:
        values = {"duration_s": plan.duration_s, "limit_s": limits.min_run_s}
        yield PlanWarning("current_a", Message("plan.warning.short_run", values))
    if plan.duration_s > limits.max_run_s:
        values = {"duration_min": plan.duration_s / 60.0, "limit_min": limits.max_run_s / 60.0}
        yield PlanWarning("current_a", Message("plan.warning.long_run", values))
