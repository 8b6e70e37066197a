"""From a wish to numbers: target depth -> charge, time, ceilings, warnings. Pure; refuses the impossible, warns of the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from controller.errors import RefusedError
from controller.estimate import Belief, DepthTable, depth_table, prior_belief
from controller.faraday import Metal, metal_named, removed_mass_g
from controller.relief import Growth, MeasuredGrowth, ScaledGrowth, SteinerGrowth
from controller.units import MM2_PER_DM2, MM3_PER_CM3, current_density_a_per_dm2, not_negative, positive

if TYPE_CHECKING:
    from controller.config import Settings

BRISK_A_PER_DM2 = 20.0
"""Current density from which the plan warns. Trade literature runs 5 to 15 A/dm2 (common practice, no source)."""

LIMIT_TO_RANGE_FRACTION = 0.85
"""The over-current limit must stay below this share of the sensor's range, or a larger current would read as a smaller one."""

HEADROOM_WARNING_FRACTION = 0.70
"""The plan warns when the over-current limit lies above this share of the sensor's range (refused above 85 %)."""

SHORTEST_RUN_S = 1.0
"""Below this the conversions of the sensor are too few to stop on. The plan warns from limits.min_run_s."""

TABLE_DEPTH_FACTOR = 1.6
"""The depth table reaches at least this far beyond the target, and always past the charge ceiling, which stops the run first."""


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """What the person tells the tool.

    :param metal: name as in faraday.METALS.
    :param area_mm2: open area of one artwork at the start; with ``growth_mm2`` its first value.
    :param edge_mm: length of the edges between metal and resist of one artwork, 0 when unknown.
    :param depth_mm: target, mean depth of an open floor.
    :param current_a: current that the supply will give; or else ``density_a_per_dm2``.
    :param thickness_mm: sheet thickness, or None when not told (then the depth limit cannot be guarded).
    :param pieces: copies of the artwork on the plate; ``sides`` 1 or 2.
    :param other_bare_mm2: bare metal that etches along: contact tab, untaped edges and back.
    :param supply_mode: how the supply is set; judgements of voltage and current depend on it.
    :param growth_mm2: measured growth curve of one artwork, pairs (s_mm, area_mm2), or None.
    :param area_uncertainty_fraction: standard deviation of the open area over itself. 3 % for a typed area
        (common practice, no source); a measured artwork brings its own.
    """

    metal: str
    area_mm2: float
    depth_mm: float
    current_a: float | None = None
    density_a_per_dm2: float | None = None
    edge_mm: float = 0.0
    thickness_mm: float | None = None
    pieces: int = 1
    sides: Literal[1, 2] = 1
    other_bare_mm2: float = 0.0
    supply_mode: Literal["constant-current", "constant-voltage"] = "constant-current"
    growth_mm2: tuple[tuple[float, float], ...] | None = None
    area_uncertainty_fraction: float = 0.03
    piece: str = ""


@dataclass(frozen=True, slots=True)
class PlanWarning:
    """Something that may go wrong, beside the field that it belongs to."""

    field: str
    text: str


@dataclass(frozen=True, slots=True)
class RunPlan:
    """Everything that is fixed when a run starts.

    :param duration_s: relay-on time at the planned current.
    :param max_on_time_s: ceiling on relay-on time; ``max_charge_coulombs`` ceiling on charge. Independent of each other.
    :param end_current_a: current expected at the end: larger than ``current_a`` in constant voltage, as the area grows.
    :param max_mean_depth_mm: best estimate that trips the depth limit, or None when no thickness was given.
    """

    request: PlanRequest
    metal: Metal
    growth: Growth
    belief: Belief
    table: DepthTable
    total_area_mm2: float
    current_a: float
    end_current_a: float
    charge_coulombs: float
    duration_s: float
    metal_removed_g: float
    volume_removed_mm3: float
    density_a_per_dm2: float
    depth_low_mm: float
    depth_high_mm: float
    max_on_time_s: float
    max_charge_coulombs: float
    max_current_a: float
    max_mean_depth_mm: float | None
    warnings: tuple[PlanWarning, ...]


def make_plan(request: PlanRequest, settings: Settings, sensor_range_a: float) -> RunPlan:
    """Return the plan for a request on this bench.

    :param sensor_range_a: full scale of the current measurement, A.
    Raises: RefusedError naming the field, its value and limit with units, and what to do.
    """
    own = settings.metals.get(request.metal)
    metal = metal_named(
        request.metal, own.density_g_per_cm3 if own is not None else None, own.etch_factor if own is not None else None
    )
    growth = _growth(request)
    total_area_mm2 = growth.area_mm2(0.0)
    current_a = _current(request, total_area_mm2)
    belief = prior_belief(metal, request.area_uncertainty_fraction, settings.rig.shunt_tolerance_fraction)
    _refuse_short_curve(request, belief)
    # Volume grows faster than depth, so a depth beyond the target by the ceiling's share costs more charge than the ceiling.
    ceiling_share = belief.best_bite_factor / belief.low_bite_factor()
    deepest_mm = positive(request.depth_mm, "depth_mm", "mm") * max(TABLE_DEPTH_FACTOR, 1.02 * ceiling_share)
    table = depth_table(belief, growth, metal.mm3_per_coulomb, deepest_mm)
    charge_coulombs = table.charge_for_depth_coulombs(request.depth_mm)
    estimate = table.at(charge_coulombs)
    removed_g = removed_mass_g(charge_coulombs, metal, belief.best_bite_factor)
    end_area_mm2 = growth.area_mm2(request.depth_mm / belief.best_etch_factor)
    constant_voltage = request.supply_mode == "constant-voltage"
    end_current_a = current_a * end_area_mm2 / total_area_mm2 if constant_voltage else current_a
    duration_s = charge_coulombs / (0.5 * (current_a + end_current_a))
    max_current_a = settings.limits.over_current_fraction * end_current_a
    _refuse_out_of_range(request, duration_s, max_current_a, sensor_range_a)
    thickness_mm = request.thickness_mm
    plan = RunPlan(
        request=request,
        metal=metal,
        growth=growth,
        belief=belief,
        table=table,
        total_area_mm2=total_area_mm2,
        current_a=current_a,
        end_current_a=end_current_a,
        charge_coulombs=charge_coulombs,
        duration_s=duration_s,
        metal_removed_g=removed_g,
        volume_removed_mm3=removed_g / metal.density_g_per_cm3 * MM3_PER_CM3,
        density_a_per_dm2=current_density_a_per_dm2(current_a, total_area_mm2),
        depth_low_mm=estimate.low_mm,
        depth_high_mm=estimate.high_mm,
        max_on_time_s=min(settings.limits.over_time_fraction * duration_s, settings.limits.max_run_s),
        max_charge_coulombs=charge_coulombs * ceiling_share,
        max_current_a=max_current_a,
        max_mean_depth_mm=None if thickness_mm is None else _max_mean_depth(thickness_mm, request, settings),
        warnings=(),
    )
    return replace(plan, warnings=_warnings(plan, settings, sensor_range_a))


def _growth(request: PlanRequest) -> Growth:
    """Return the growth of everything that hangs in the bath, both sides and all copies."""
    if request.pieces < 1 or request.pieces > 500:
        raise RefusedError(f"pieces is {request.pieces}, it must be 1 to 500", field="pieces", limit="1-500")
    if request.sides not in (1, 2):
        raise RefusedError(f"sides is {request.sides}, a sheet has 1 or 2", field="sides", limit="1-2")
    not_negative(request.other_bare_mm2, "other_bare_mm2", "mm2")
    if not 0.0 < request.area_uncertainty_fraction < 0.5:
        raise RefusedError(
            f"area_uncertainty_fraction is {request.area_uncertainty_fraction:g}, it must be above 0 and below 0.5",
            field="area_uncertainty_fraction",
            limit="0-0.5",
        )
    if request.growth_mm2 is not None:
        base: Growth = MeasuredGrowth(request.growth_mm2)
    else:
        positive(request.area_mm2, "area_mm2", "mm2")
        not_negative(request.edge_mm, "edge_mm", "mm", "; 0 means unknown")
        base = SteinerGrowth(request.area_mm2, request.edge_mm)
    return ScaledGrowth(base, request.pieces * request.sides, request.other_bare_mm2)


def _refuse_short_curve(request: PlanRequest, belief: Belief) -> None:
    """Refuse a growth curve that ends, still rising, before the undercut at the etch factor's low end."""
    curve = request.growth_mm2
    if curve is None or curve[-1][1] == curve[-2][1]:
        return
    needed_mm = request.depth_mm / belief.etch_factor_range()[0]
    if curve[-1][0] < needed_mm:
        raise RefusedError(
            f"the growth curve ends at {curve[-1][0]:g} mm, undercut may reach {needed_mm:.3f} mm at {request.depth_mm:g} mm: "
            "measure the artwork with a longer curve",
            field="growth_mm2",
            limit=f"at least {needed_mm:.3f} mm",
        )


def _current(request: PlanRequest, total_area_mm2: float) -> float:
    """Return the planned current in A, given itself or as a current density."""
    if (request.current_a is None) == (request.density_a_per_dm2 is None):
        raise RefusedError("give either current_a (A) or density_a_per_dm2 (A/dm2)", field="current_a")
    if request.current_a is not None:
        return positive(request.current_a, "current_a", "A")
    density = positive(request.density_a_per_dm2 or 0.0, "density_a_per_dm2", "A/dm2")
    return density * total_area_mm2 / MM2_PER_DM2


def _max_mean_depth(thickness_mm: float, request: PlanRequest, settings: Settings) -> float:
    """Return the best estimate at which the deepest place, edges included, reaches the allowed share of the sheet."""
    limits = settings.limits
    return limits.depth_of_thickness_fraction * thickness_mm / (limits.edge_depth_factor * request.sides)


def _refuse_out_of_range(request: PlanRequest, duration_s: float, max_current_a: float, sensor_range_a: float) -> None:
    if max_current_a > LIMIT_TO_RANGE_FRACTION * sensor_range_a:
        raise RefusedError(
            f"the over-current limit of {max_current_a:.2f} A is above {LIMIT_TO_RANGE_FRACTION:.0%} of the sensor's "
            f"{sensor_range_a:.2f} A: a larger current could not be seen. Fit a smaller shunt, raise rig.max_current_a "
            "or lower current_a",
            field="current_a",
            limit=f"limit at most {LIMIT_TO_RANGE_FRACTION * sensor_range_a:.2f} A",
        )
    if duration_s < SHORTEST_RUN_S:
        raise RefusedError(
            f"the run would last {duration_s:.2f} s, nothing can be controlled under {SHORTEST_RUN_S:.0f} s: lower current_a",
            field="current_a",
            limit=f"at least {SHORTEST_RUN_S:.0f} s",
        )
    if request.thickness_mm is not None:
        thickness_mm = positive(request.thickness_mm, "thickness_mm", "mm")
        if request.depth_mm * request.sides >= thickness_mm:
            raise RefusedError(
                f"depth_mm {request.depth_mm:g} mm on {request.sides} side(s) goes through the {thickness_mm:g} mm sheet: "
                "use thicker sheet or etch less deep",
                field="depth_mm",
                limit=f"below {thickness_mm / request.sides:g} mm",
            )


def _warnings(plan: RunPlan, settings: Settings, sensor_range_a: float) -> tuple[PlanWarning, ...]:
    """Return what may go wrong though it can be done."""
    request, limits = plan.request, settings.limits
    found: list[tuple[str, str]] = []
    if plan.metal.not_in_nitric_because is not None:
        found.append(("metal", f"{plan.metal.title} does not belong into nitric acid: {plan.metal.not_in_nitric_because}"))
    if request.growth_mm2 is None and request.edge_mm == 0.0:
        found.append(("edge_mm", "the edge length is unknown and counts as 0 mm: fine work will come out shallower than planned"))
    if plan.density_a_per_dm2 > BRISK_A_PER_DM2:
        found.append(
            (
                "current_a",
                f"{plan.density_a_per_dm2:.1f} A/dm2 is brisk, above {BRISK_A_PER_DM2:.0f} A/dm2: "
                "watch for gas, heat and lifting resist until your own runs show that it works",
            )
        )
    use = plan.max_current_a / sensor_range_a
    if use > HEADROOM_WARNING_FRACTION:
        found.append(
            (
                "current_a",
                f"the over-current limit of {plan.max_current_a:.2f} A uses {use:.0%} of the sensor's {sensor_range_a:.2f} A: "
                "a smaller shunt leaves more room",
            )
        )
    if plan.duration_s < limits.min_run_s:
        found.append(
            (
                "current_a",
                f"{plan.duration_s:.1f} s is short, under {limits.min_run_s:.0f} s the end comes out coarse: lower the current",
            )
        )
    if plan.duration_s > limits.max_run_s:
        found.append(
            (
                "current_a",
                f"the run would last {plan.duration_s / 60:.0f} min and trips over_time at limits.max_run_s, "
                f"{limits.max_run_s / 60:.0f} min: raise the current, etch less deep, or raise the limit",
            )
        )
    if request.thickness_mm is None:
        found.append(("thickness_mm", "the thickness is not known: nothing guards against etching through the sheet"))
    elif plan.max_mean_depth_mm is not None and plan.depth_high_mm > plan.max_mean_depth_mm:
        when = "will" if request.depth_mm > plan.max_mean_depth_mm else "may"
        found.append(
            (
                "depth_mm",
                f"the run {when} trip depth_limit at {plan.max_mean_depth_mm:.3f} mm (planned {request.depth_mm:g} mm, up to "
                f"{plan.depth_high_mm:.3f} mm): edges run {limits.edge_depth_factor:g} times deeper and "
                f"{limits.depth_of_thickness_fraction:.0%} of the {request.thickness_mm:g} mm sheet is allowed on "
                f"{request.sides} side(s). Use thicker sheet or etch less deep",
            )
        )
    return tuple(PlanWarning(field, text) for field, text in found)
