"""What may go wrong with a plan though it can be done, beside the field that it belongs to, with the reason. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.planning.run_plan import PlanWarning, RunPlan

if TYPE_CHECKING:
    from controller.config import LimitSettings

BRISK_A_PER_DM2 = 20.0
"""Current density from which the plan warns. Trade literature runs 5 to 15 A/dm2 (common practice, no source)."""

TRIED_MARGIN = 1.1
"""A density up to this much above what was tried before passes without a warning."""

HEADROOM_WARNING_FRACTION = 0.70
"""The plan warns when the over-current limit lies above this share of the sensor's range (refused above 85 %)."""

NARROW_OPENING_FILMS = 3.0
"""Openings narrower than about three film thicknesses start slowly. Source: common practice, no source."""

WARMING_WARNING_K = 5.0
"""Warming that changes resistance by 7 % and doubles nothing yet: worth a larger bath (common practice, no source)."""

SHOWN_LINES = 3


@dataclass(frozen=True, slots=True)
class Headroom:
    """What the warnings need beside plan and limits: the sensor's range, A, and the densest run tried before, or None."""

    sensor_range_a: float
    densest_tried_a_per_dm2: float | None


def plan_warnings(
    plan: RunPlan, limits: LimitSettings, headroom: Headroom
) -> tuple[PlanWarning, ...]:
    """Return the warnings, the piece's first, the electrical ones after them."""
    found = [
        *_metal(plan),
        *_geometry(plan, limits),
        *_electrical(plan, headroom),
        *_time(plan, limits),
    ]
    return tuple(PlanWarning(field, text) for field, text in found)


def _metal(plan: RunPlan) -> Iterator[tuple[str, str]]:
    if plan.metal.not_in_nitric_because is not None:
        yield (
            "metal",
            f"{plan.metal.title} does not belong into nitric acid: {plan.metal.not_in_nitric_because}",
        )


def _geometry(plan: RunPlan, limits: LimitSettings) -> Iterator[tuple[str, str]]:
    request = plan.request
    if request.growth_mm2 is None and request.edge_mm == 0.0:
        yield (
            "edge_mm",
            "the edge length is unknown and counts as 0 mm: fine work will come out shallower than planned",
        )
    low_factor = plan.belief.etch_factor_range()[0]
    lost = [
        line
        for line in request.narrow_lines
        if line.width_mm < 2.0 * plan.target_depth_mm / low_factor
    ]
    if lost:
        places = ", ".join(
            f"{line.width_mm:.2f} mm at ({line.x_mm:.1f}, {line.y_mm:.1f})"
            for line in lost[:SHOWN_LINES]
        )
        yield (
            "depth_mm",
            f"{len(lost)} resist line(s) may be undercut through and lost: {places} mm. At an etch factor of {low_factor:.2f} "
            f"all under {2.0 * plan.target_depth_mm / low_factor:.2f} mm go: widen them or etch less deep",
        )
    narrowest_mm = request.narrowest_open_mm
    if narrowest_mm is not None and narrowest_mm < NARROW_OPENING_FILMS * request.film_mm:
        yield (
            "artwork",
            f"the narrowest opening is {narrowest_mm:.3f} mm, under {NARROW_OPENING_FILMS:g} films of {request.film_mm:g} mm: "
            "it starts slowly and comes out shallower",
        )
    if request.thickness_mm is None:
        yield (
            "thickness_mm",
            "the thickness is not known: nothing guards against etching through the sheet",
        )
    elif plan.max_mean_depth_mm is not None and plan.depth_high_mm > plan.max_mean_depth_mm:
        when = "will" if plan.target_depth_mm > plan.max_mean_depth_mm else "may"
        yield (
            "depth_mm",
            f"the run {when} trip depth_limit at {plan.max_mean_depth_mm:.3f} mm (planned {plan.target_depth_mm:.4g} mm, up to "
            f"{plan.depth_high_mm:.3f} mm): edges run {limits.edge_depth_factor:g} times deeper and "
            f"{limits.depth_of_thickness_fraction:.0%} of the {request.thickness_mm:g} mm sheet is allowed on "
            f"{request.sides} side(s). Use thicker sheet or etch less deep",
        )


def _electrical(plan: RunPlan, headroom: Headroom) -> Iterator[tuple[str, str]]:
    density, tried = plan.density_a_per_dm2, headroom.densest_tried_a_per_dm2
    if density > BRISK_A_PER_DM2 and (tried is None or density > TRIED_MARGIN * tried):
        before = (
            "not tried before here"
            if tried is None
            else f"{tried:.1f} A/dm2 is the most that worked here so far"
        )
        yield (
            "current_a",
            f"{density:.1f} A/dm2 is brisk, above {BRISK_A_PER_DM2:.0f} A/dm2, and {before}: "
            "watch for gas, heat and lifting resist until your own runs show that it works",
        )
    if plan.range_fraction > HEADROOM_WARNING_FRACTION:
        yield (
            "current_a",
            f"the over-current limit of {plan.max_current_a:.2f} A uses {plan.range_fraction:.0%} of the sensor's "
            f"{headroom.sensor_range_a:.2f} A: a smaller shunt leaves more room",
        )
    if plan.warming_k is not None and plan.warming_k > WARMING_WARNING_K:
        yield (
            "bath_volume_l",
            f"{plan.heat_j / 1000:.1f} kJ warm the bath by up to {plan.warming_k:.1f} K, limit for a calm run "
            f"{WARMING_WARNING_K:g} K: use a larger bath or a lower current",
        )


def _time(plan: RunPlan, limits: LimitSettings) -> Iterator[tuple[str, str]]:
    if plan.duration_s < limits.min_run_s:
        yield (
            "current_a",
            f"{plan.duration_s:.1f} s is short, under {limits.min_run_s:.0f} s the end comes out coarse: lower the current",
        )
    if plan.duration_s > limits.max_run_s:
        yield (
            "current_a",
            f"the run would last {plan.duration_s / 60:.0f} min and trips over_time at limits.max_run_s, "
            f"{limits.max_run_s / 60:.0f} min: raise the current, etch less deep, or raise the limit",
        )
