"""What the person tells the tool, and the growth, current and depth that follow from it. Pure; refuses what cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from controller.errors import RefusedError
from controller.physics.relief import Growth, MeasuredGrowth, ScaledGrowth, SteinerGrowth
from controller.units import MM2_PER_DM2, not_negative, positive

MAX_GAUGE_STOPS = 10
"""More stops than this for one run are a mistake."""


TYPED_AREA_UNCERTAINTY_FRACTION = 0.03
"""One standard deviation of a typed area over itself (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class NarrowLine:
    """A narrow resist line of the artwork where it is narrowest, from the artwork's top left corner."""

    x_mm: float
    y_mm: float
    width_mm: float


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """What the person tells the tool.

    :param metal: name as in faraday.METALS.
    :param area_mm2: open area of one artwork at the start; with ``growth_mm2`` its first value.
    :param edge_mm: length of the edges between metal and resist of one artwork, 0 when unknown.
    :param depth_mm: target, mean depth of an open floor; or else ``charge_coulombs``.
    :param current_a: current that the supply will give; or else ``density_a_per_dm2``.
    :param thickness_mm: sheet thickness, or None when not told (then the depth limit cannot be guarded).
    :param sheet_mm2: bare size of the sheet, for the share of metal lost, or None.
    :param pieces: copies of the artwork on the plate; ``sides`` 1 or 2.
    :param other_bare_mm2: bare metal that etches along: contact tab, untaped edges and back.
    :param supply_mode: how the supply is set; judgements of voltage and current depend on it.
    :param growth_mm2: measured growth curve of one artwork, pairs (s_mm, area_mm2), or None.
    :param area_uncertainty_fraction: standard deviation of the open area over itself. 3 % for a typed area
        (common practice, no source); a measured artwork brings its own.
    :param artwork: content hash of the measured artwork, or None.
    :param narrow_lines: resist lines of the artwork that an undercut could eat through.
    :param narrowest_open_mm: narrowest opening of the artwork, or None.
    :param film_mm: thickness of the resist. Source: dry film is 0.04 to 0.05 mm (common practice).
    :param bath: name of the bath, or None: then nothing is learned and nothing is remembered.
    :param bath_volume_l: for the expected warming, or None.
    :param expected_voltage_v: cell voltage for power and heat. Source: common practice, a cell near 3 V and 3 A.
    :param stop_policy: stop when the best estimate reaches the target, or already when the upper bound does.
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
    film_mm: float = 0.045
    bath: str | None = None
    bath_volume_l: float | None = None
    expected_voltage_v: float = 3.0
    stop_policy: Literal["best-estimate", "never-deeper"] = "best-estimate"
    gauge_stops_mm: tuple[float, ...] = ()
    piece: str = ""


def growth_of(request: PlanRequest) -> Growth:
    """Return the growth of everything that hangs in the bath, both sides and all copies. Raises: RefusedError."""
    if request.pieces < 1 or request.pieces > 500:
        raise RefusedError(
            f"pieces is {request.pieces}, it must be 1 to 500", field="pieces", limit="1-500"
        )
    if request.sides not in (1, 2):
        raise RefusedError(
            f"sides is {request.sides}, a sheet has 1 or 2", field="sides", limit="1-2"
        )
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


def current_of(request: PlanRequest, total_area_mm2: float) -> float:
    """Return the planned current in A, given itself or as a current density. Raises: RefusedError."""
    if (request.current_a is None) == (request.density_a_per_dm2 is None):
        raise RefusedError(
            "give either current_a (A) or density_a_per_dm2 (A/dm2)", field="current_a"
        )
    if request.current_a is not None:
        return positive(request.current_a, "current_a", "A")
    density = positive(request.density_a_per_dm2 or 0.0, "density_a_per_dm2", "A/dm2")
    return density * total_area_mm2 / MM2_PER_DM2


def depth_bound_mm(request: PlanRequest, growth: Growth, mm3_per_coulomb: float) -> float:
    """Return a depth that the target does not pass: itself, or without any undercut for a target charge.

    :param mm3_per_coulomb: volume removed per coulomb, bite factor included.
    Raises: RefusedError when neither or both are given.
    """
    if (request.depth_mm is None) == (request.charge_coulombs is None):
        raise RefusedError(
            "give either depth_mm (mm) or charge_coulombs (C) as the target", field="depth_mm"
        )
    if request.depth_mm is not None:
        return positive(request.depth_mm, "depth_mm", "mm")
    return (
        positive(request.charge_coulombs or 0.0, "charge_coulombs", "C")
        * mm3_per_coulomb
        / growth.area_mm2(0.0)
    )


def refuse_short_curve(
    pairs: Sequence[tuple[float, float]] | None, depth_mm: float, low_etch_factor: float
) -> None:
    """Refuse a growth curve that ends, still rising, before the undercut at the etch factor's low end."""
    if pairs is None or pairs[-1][1] == pairs[-2][1]:
        return
    needed_mm = depth_mm / low_etch_factor
    if pairs[-1][0] < needed_mm:
        raise RefusedError(
            f"the growth curve ends at {pairs[-1][0]:g} mm, undercut may reach {needed_mm:.3f} mm at {depth_mm:g} mm: "
            "measure the artwork with a longer curve",
            field="growth_mm2",
            limit=f"at least {needed_mm:.3f} mm",
        )


def gauge_stops_of(request: PlanRequest, target_depth_mm: float) -> tuple[float, ...]:
    """Return the gauge stops in order. Raises: RefusedError when one does not lie between 0 and the target."""
    stops = tuple(sorted(set(request.gauge_stops_mm)))
    if len(stops) > MAX_GAUGE_STOPS:
        raise RefusedError(
            f"{len(stops)} gauge stops are too many",
            field="gauge_stops_mm",
            limit=f"{MAX_GAUGE_STOPS}",
        )
    for stop_mm in stops:
        if not 0.0 < stop_mm < target_depth_mm:
            raise RefusedError(
                f"gauge stop {stop_mm:g} mm must lie above 0 mm and below the target of {target_depth_mm:.4g} mm",
                field="gauge_stops_mm",
                limit=f"0-{target_depth_mm:.4g} mm",
            )
    return stops
