"""A plan request, and the growth, current and depth that follow from it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from controller.errors import RefusedError
from controller.physics.places import Place
from controller.physics.relief import Growth, MeasuredGrowth, ScaledGrowth, SteinerGrowth
from controller.planning.pieces_on_plate import PieceOnPlate
from controller.units import MM2_PER_DM2, not_negative, positive

MAX_GAUGE_STOPS = 10
"""Most gauge stops for one run. More are a mistake."""

MAX_PIECES = 500

MAX_AREA_UNCERTAINTY_FRACTION = 0.5

TYPED_AREA_UNCERTAINTY_FRACTION = 0.03
"""Relative standard deviation of an area typed by a person (common practice, no source)."""


WIDEST_FLOOR_MIDDLE: Final = "widest-floor-middle"
MEAN: Final = "mean"
TargetPlace = Literal["widest-floor-middle", "mean"]
"""What a target depth means: in the middle of the widest floor, as metalsmiths say it, or the mean
over the open floor."""

MAX_FINISHING_MM = 0.5
"""More than this is no finishing."""


@dataclass(frozen=True, slots=True)
class NarrowLine:
    """The narrowest place of a resist line, measured from the artwork's top left corner."""

    x_mm: float
    y_mm: float
    width_mm: float


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """A person's request for a plan.

    :param metal: name as in faraday.METALS.
    :param area_mm2: open area of one artwork at the start; with ``growth_mm2`` its first value.
    :param edge_mm: length of the edges between metal and resist of one artwork, 0 when unknown.
    :param depth_mm: target, at ``target_place``. Either this or ``charge_coulombs``.
    :param target_place: where the target is meant. Without known places it is the mean.
    :param finishing_mm: what emery and polish will take off the raised ground. The depth given is
        the finished one then, and the bath etches so much deeper. Common practice: 0.02 to 0.05 mm.
    :param current_a: current that the supply will give. Either this or ``density_a_per_dm2``.
    :param thickness_mm: sheet thickness, or None when not given: then nothing guards the depth.
    :param sheet_mm2: bare size of the sheet, for the share of metal lost, or None.
    :param pieces: copies of the artwork on the plate; ``sides`` 1 or 2.
    :param other_bare_mm2: other bare metal that etches: contact tab, untaped edges and back.
    :param supply_mode: how the supply is set. The limits of voltage and current depend on it.
    :param growth_mm2: measured growth curve of one artwork, pairs (s_mm, area_mm2), or None.
    :param area_uncertainty_fraction: relative standard deviation of the open area. 3 % for a
        typed area (common practice, no source); a measured artwork has its own.
    :param artwork: content hash of the measured artwork, or None.
    :param narrow_lines: resist lines of the artwork that an undercut could eat through.
    :param narrowest_open_mm: narrowest opening of the artwork, or None.
    :param places: how deep each place of the artwork gets against the mean depth; may be empty.
    :param pieces_on_plate: of an artwork that was put together from several; empty for one.
    :param film_mm: thickness of the resist. Dry film is 0.04 to 0.05 mm (common practice).
    :param bath: name of the bath, or None: then the run learns nothing from other runs.
    :param bath_volume_l: for the expected warming, or None.
    :param expected_voltage_v: cell voltage for power and heat. Source: common practice, a cell
        near 3 V and 3 A.
    :param stop_policy: stop when the best estimate reaches the target, or when the upper bound
        does.
    :param gauge_stops_mm: depths at which the run pauses to be gauged.
    """

    metal: str
    area_mm2: float
    depth_mm: float | None = None
    charge_coulombs: float | None = None
    current_a: float | None = None
    density_a_per_dm2: float | None = None
    edge_mm: float = 0.0
    thickness_mm: float | None = None
    sheet_mm2: float | None = None
    pieces: int = 1
    sides: Literal[1, 2] = 1
    other_bare_mm2: float = 0.0
    supply_mode: Literal["constant-current", "constant-voltage"] = "constant-current"
    growth_mm2: tuple[tuple[float, float], ...] | None = None
    area_uncertainty_fraction: float = TYPED_AREA_UNCERTAINTY_FRACTION
    artwork: str | None = None
    narrow_lines: tuple[NarrowLine, ...] = ()
    narrowest_open_mm: float | None = None
    places: tuple[Place, ...] = ()
    pieces_on_plate: tuple[PieceOnPlate, ...] = ()
    film_mm: float = 0.045
    bath: str | None = None
    bath_volume_l: float | None = None
    expected_voltage_v: float = 3.0
    stop_policy: Literal["best-estimate", "never-deeper"] = "best-estimate"
    gauge_stops_mm: tuple[float, ...] = ()
    piece: str = ""
    target_place: TargetPlace = WIDEST_FLOOR_MIDDLE
    finishing_mm: float = 0.0


def growth_of(request: PlanRequest) -> Growth:
    """Return the growth of everything in the bath, both sides and all copies.

    Raises: RefusedError.
    """
    if not 1 <= request.pieces <= MAX_PIECES:
        raise RefusedError(
            "plan.request.pieces",
            field="pieces",
            pieces=request.pieces,
            limit_pieces=MAX_PIECES,
        )
    if request.sides not in (1, 2):
        raise RefusedError("plan.request.sides", field="sides", sides=request.sides)
    not_negative(request.other_bare_mm2, "other_bare_mm2", "mm2")
    if not 0.0 < request.area_uncertainty_fraction < MAX_AREA_UNCERTAINTY_FRACTION:
        raise RefusedError(
            "plan.request.area_uncertainty",
            field="area_uncertainty_fraction",
            uncertainty_fraction=request.area_uncertainty_fraction,
            limit_fraction=MAX_AREA_UNCERTAINTY_FRACTION,
        )
    if request.growth_mm2 is not None:
        base: Growth = MeasuredGrowth(request.growth_mm2)
    else:
        positive(request.area_mm2, "area_mm2", "mm2")
        not_negative(request.edge_mm, "edge_mm", "mm")
        base = SteinerGrowth(request.area_mm2, request.edge_mm)
    return ScaledGrowth(base, request.pieces * request.sides, request.other_bare_mm2)


def current_of(request: PlanRequest, total_area_mm2: float) -> float:
    """Return the planned current, A, from a current or a density. Raises: RefusedError."""
    if request.current_a is not None:
        if request.density_a_per_dm2 is not None:
            raise RefusedError("plan.request.two_currents", field="current_a")
        return positive(request.current_a, "current_a", "A")
    if request.density_a_per_dm2 is None:
        raise RefusedError("plan.request.no_current", field="current_a")
    density = positive(request.density_a_per_dm2, "density_a_per_dm2", "A/dm2")
    return density * total_area_mm2 / MM2_PER_DM2


def target_place_of(request: PlanRequest) -> Place | None:
    """Return the place that the target depth is meant for, or None for the mean.

    Raises: RefusedError for another name.
    """
    if request.target_place not in (WIDEST_FLOOR_MIDDLE, MEAN):
        raise RefusedError(
            "plan.request.target_place", field="target_place", name=request.target_place
        )
    return next((place for place in request.places if place.name == request.target_place), None)


def etched_depth_mm(request: PlanRequest) -> float | None:
    """Return the depth to etch, mm, or None for a target charge. Raises: RefusedError.

    Finishing takes metal off the raised ground, so the relief gets shallower: etch deeper.
    """
    allowance_mm = not_negative(request.finishing_mm, "finishing_mm", "mm")
    if allowance_mm > MAX_FINISHING_MM:
        raise RefusedError(
            "plan.request.finishing",
            field="finishing_mm",
            finishing_mm=allowance_mm,
            limit_mm=MAX_FINISHING_MM,
        )
    if request.depth_mm is None:
        return None
    return positive(request.depth_mm, "depth_mm", "mm") + allowance_mm


def depth_bound_mm(request: PlanRequest, growth: Growth, mm3_per_coulomb: float) -> float:
    """Return an upper bound of the depth to etch, mm.

    For a target charge it is the mean depth without any undercut.

    :param mm3_per_coulomb: volume removed per coulomb, bite factor included.
    Raises: RefusedError when neither or both are given.
    """
    etched_mm = etched_depth_mm(request)
    if etched_mm is not None:
        if request.charge_coulombs is not None:
            raise RefusedError("plan.request.two_targets", field="depth_mm")
        return etched_mm
    if request.charge_coulombs is None:
        raise RefusedError("plan.request.no_target", field="depth_mm")
    charge_coulombs = positive(request.charge_coulombs, "charge_coulombs", "C")
    return charge_coulombs * mm3_per_coulomb / growth.area_mm2(0.0)


def refuse_short_curve(
    pairs: Sequence[tuple[float, float]] | None, depth_mm: float, low_etch_factor: float
) -> None:
    """Refuse a growth curve that still rises where it ends, before the largest undercut."""
    if pairs is None or pairs[-1][1] == pairs[-2][1]:
        return
    needed_mm = depth_mm / low_etch_factor
    if pairs[-1][0] < needed_mm:
        raise RefusedError(
            "plan.request.short_curve",
            field="growth_mm2",
            end_mm=pairs[-1][0],
            needed_mm=needed_mm,
            depth_mm=depth_mm,
        )


def gauge_stops_of(request: PlanRequest, target_depth_mm: float) -> tuple[float, ...]:
    """Return the gauge stops in order. Raises: RefusedError for one outside 0 to the target."""
    stops = tuple(sorted(set(request.gauge_stops_mm)))
    if len(stops) > MAX_GAUGE_STOPS:
        raise RefusedError(
            "plan.request.gauge_stops",
            field="gauge_stops_mm",
            stops=len(stops),
            limit_stops=MAX_GAUGE_STOPS,
        )
    for stop_mm in stops:
        if not 0.0 < stop_mm < target_depth_mm:
            raise RefusedError(
                "plan.request.gauge_stop_outside",
                field="gauge_stops_mm",
                stop_mm=stop_mm,
                target_mm=target_depth_mm,
            )
    return stops
