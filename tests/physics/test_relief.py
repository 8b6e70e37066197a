"""Relief against independent quadrature, closed forms and polygons offset by another library."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import FrozenInstanceError, fields
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad, quad
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from controller.errors import RefusedError
from controller.physics.relief import (
    Growth,
    MeasuredGrowth,
    ReliefTable,
    ScaledGrowth,
    SteinerGrowth,
    interpolate,
    relief_table,
    removed_volume_mm3,
)


def volume_by_quadrature_mm3(
    depth_mm: float,
    area_mm2: Callable[[float], float],
    slope_mm: Callable[[float], float],
    e: float,
) -> float:
    """V(d) = A(0) d + integral of d sqrt(1 - (s/x)^2) A'(s) ds, straight from the quarter ellipse.

    The code uses another form.
    """
    undercut_mm = depth_mm / e
    under_resist, _ = quad(
        lambda s: depth_mm * math.sqrt(1.0 - (s / undercut_mm) ** 2) * slope_mm(s),
        0.0,
        undercut_mm,
        epsabs=0.0,
        epsrel=1e-12,
    )
    return area_mm2(0.0) * depth_mm + under_resist


def closed_form_mm3(a_mm2: float, p_mm: float, fields: int, d_mm: float, e: float) -> float:
    """A d + (pi/4) P d^2 / e + (2/3) pi d^3 / e^2.

    Source: 3-D Steiner formula for a flat body, scaled sideways by 1/e.
    """
    return (
        a_mm2 * d_mm
        + math.pi / 4.0 * p_mm * d_mm**2 / e
        + 2.0 / 3.0 * math.pi * fields * d_mm**3 / e**2
    )


@given(
    area_mm2=st.floats(0.01, 1e5),
    edge_mm=st.floats(0.1, 1e5),
    depth_mm=st.floats(0.001, 2.0),
    etch_factor=st.floats(0.3, 5.0),
    fields=st.integers(0, 50),
)
def test_steiner_form_at_any_size(
    area_mm2: float, edge_mm: float, depth_mm: float, etch_factor: float, fields: int
) -> None:
    volume_mm3 = removed_volume_mm3(depth_mm, SteinerGrowth(area_mm2, edge_mm, fields), etch_factor)
    assert volume_mm3 == pytest.approx(
        closed_form_mm3(area_mm2, edge_mm, fields, depth_mm, etch_factor), rel=2e-8
    )


def test_convex_opening() -> None:
    # V = A d + (pi/4) P d^2 + (2/3) pi d^3 for a 10 x 8 mm opening, 0.25 mm deep.
    volume_mm3 = removed_volume_mm3(0.25, SteinerGrowth(80.0, 36.0), 1.0)
    assert volume_mm3 == pytest.approx(
        80.0 * 0.25 + math.pi / 4 * 36.0 * 0.0625 + 2 / 3 * math.pi * 0.015625, rel=1e-8
    )


def test_wide_field() -> None:
    assert removed_volume_mm3(0.25, SteinerGrowth(767.0), 1.2) == pytest.approx(
        767.0 * 0.25, rel=1e-7
    )
    wide = SteinerGrowth(1e6, 4e3)
    assert removed_volume_mm3(0.25, wide, 1.2) == pytest.approx(1e6 * 0.25, rel=1e-3)
    assert removed_volume_mm3(0.25, SteinerGrowth(767.0, 100.0), 1e9) == pytest.approx(
        767.0 * 0.25, rel=1e-7
    ), "no undercut"


def test_round_hole() -> None:
    # A disc of 2 mm radius at etch factor 1: the body of all points within d below the disc, as a
    # double integral of its depth.
    radius_mm, depth_mm = 2.0, 0.3
    floor_mm3 = math.pi * radius_mm**2 * depth_mm
    wall_mm3, _ = dblquad(
        lambda _z, r: 2.0 * math.pi * r, radius_mm, radius_mm + depth_mm, 0.0,
        lambda r: math.sqrt(max(0.0, depth_mm**2 - (r - radius_mm) ** 2)),
    )  # fmt: skip
    growth = SteinerGrowth(math.pi * radius_mm**2, 2.0 * math.pi * radius_mm)
    assert removed_volume_mm3(depth_mm, growth, 1.0) == pytest.approx(
        floor_mm3 + wall_mm3, rel=1e-7
    )


@pytest.mark.parametrize("etch_factor", [0.7, 1.0, 1.2, 2.0])
@pytest.mark.parametrize("depth_mm", [0.05, 0.25, 0.6])
def test_against_independent_quadrature(etch_factor: float, depth_mm: float) -> None:
    class Saturating:
        """Openings that merge: A rises and levels out."""

        def area_mm2(self, s_mm: float) -> float:
            return 400.0 + 300.0 * (1.0 - math.exp(-s_mm / 0.2))

    expected = volume_by_quadrature_mm3(
        depth_mm, Saturating().area_mm2, lambda s: 1500.0 * math.exp(-s / 0.2), etch_factor
    )
    assert removed_volume_mm3(depth_mm, Saturating(), etch_factor) == pytest.approx(
        expected, rel=1e-7
    )


def test_undercut_from_etch_factor() -> None:
    # Etch factor = depth of etch / lateral etch per side.
    # Source: IPC-T-50 term 54.0452; Allen, Horne, Stevens (PCMI, 1982).
    asked_mm: list[float] = []

    class Asked:
        def area_mm2(self, s_mm: float) -> float:
            asked_mm.append(s_mm)
            return 1.0

    removed_volume_mm3(0.3, Asked(), 1.5)
    assert min(asked_mm) == 0.0
    assert max(asked_mm) == pytest.approx(0.2, rel=1e-12)


def offset_curve(shape: Polygon, plate: Polygon, up_to_mm: float, steps: int) -> MeasuredGrowth:
    """A(s) by shapely's buffer, cut off at the plate."""
    s_mm = [up_to_mm * i / steps for i in range(steps + 1)]
    return MeasuredGrowth(
        tuple((s, shape.buffer(s, quad_segs=64).intersection(plate).area) for s in s_mm)
    )


def test_merging_lines_stay_within_plate() -> None:
    """Merging lines never take more than the plate."""
    # Ten 0.3 mm lines with 0.3 mm resist between them, up to the rim of a 5.7 x 6 mm plate.
    plate = box(0.0, 0.0, 5.7, 6.0)
    lines = unary_union([box(0.6 * i, 0.0, 0.6 * i + 0.3, 6.0) for i in range(10)])
    growth = offset_curve(lines, plate, 1.0, 200)
    for depth_mm in (0.05, 0.1, 0.25, 0.5, 0.9):
        volume_mm3 = removed_volume_mm3(depth_mm, growth, 1.0)
        assert lines.area * depth_mm < volume_mm3 <= plate.area * depth_mm
        # Steiner's form ignores merging and counts both edges of all ten lines: it is never less
        # than the truth.
        assert volume_mm3 <= removed_volume_mm3(
            depth_mm, SteinerGrowth(lines.area, 2 * 10 * 6.0, 10), 1.0
        )
    assert growth.area_mm2(0.2) == pytest.approx(plate.area)


def test_measured_growth_of_disc() -> None:
    disc = Point(0.0, 0.0).buffer(3.0, quad_segs=512)
    growth = offset_curve(disc, box(-9.0, -9.0, 9.0, 9.0), 1.0, 100)
    for depth_mm, etch_factor in ((0.1, 0.7), (0.25, 1.0), (0.5, 1.2)):
        expected = closed_form_mm3(math.pi * 9.0, 6.0 * math.pi, 1, depth_mm, etch_factor)
        assert removed_volume_mm3(depth_mm, growth, etch_factor) == pytest.approx(
            expected, rel=1e-4
        )


def test_copies_and_other_bare_metal() -> None:
    one = SteinerGrowth(80.0, 36.0)
    whole: Growth = ScaledGrowth(one, copies=3, other_bare_mm2=50.0)
    assert whole.area_mm2(0.2) == pytest.approx(3 * (80.0 + 36.0 * 0.2 + math.pi * 0.04) + 50.0)
    assert removed_volume_mm3(0.25, whole, 1.2) == pytest.approx(
        3 * removed_volume_mm3(0.25, one, 1.2) + 50.0 * 0.25, rel=1e-7
    ), "bare metal is etched too and does not grow"


def test_without_an_edge_nothing_grows() -> None:
    assert SteinerGrowth(80.0).area_mm2(5.0) == 80.0


@pytest.mark.parametrize(
    "pairs",
    [
        (),
        ((0.0, 1.0),),
        ((0.1, 1.0), (0.2, 2.0)),
        ((0.0, 1.0), (0.0, 2.0)),
        ((0.0, 1.0), (0.2, 2.0), (0.1, 3.0)),
        ((0.0, 2.0), (0.1, 1.9)),
        ((0.0, 1.0), (math.nan, 2.0)),
    ],
)
def test_growth_curve_must_rise(pairs: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(RefusedError, match="growth curve") as caught:
        MeasuredGrowth(pairs)
    assert caught.value.field == "growth_mm2"


def test_interpolation_between_and_beyond() -> None:
    pairs = ((0.0, 1.0), (1.0, 3.0), (4.0, 9.0))
    assert [interpolate(pairs, x) for x in (-1.0, 0.0, 0.5, 1.0, 2.5, 4.0, 9.0)] == [
        1.0,
        1.0,
        2.0,
        3.0,
        6.0,
        9.0,
        9.0,
    ]


@given(st.floats(0.0, 1.0))
def test_table_round_trip(share: float) -> None:
    depth_mm = 0.4 * share
    volume_mm3 = TABLE.volume_mm3(depth_mm)
    inverse = [(volume, depth) for depth, volume in TABLE.pairs]
    assert interpolate(inverse, volume_mm3) == pytest.approx(depth_mm, abs=1e-9)
    # Linear interpolation of 160 steps against the integral itself: a chord is off by at most
    # h^2/8 times V''.
    curvature_mm = math.pi / 2.0 * 200.0 / 1.2 + 4.0 * math.pi * 4 * 0.4 / 1.2**2
    assert volume_mm3 == pytest.approx(
        removed_volume_mm3(depth_mm, GROWTH, 1.2), rel=1e-9, abs=0.0025**2 / 8.0 * curvature_mm
    )


GROWTH = SteinerGrowth(100.0, 200.0, 4)
TABLE: ReliefTable = relief_table(GROWTH, 1.2, 0.4)


def test_table_rises_to_its_end() -> None:
    """The table rises from 0 to its end, and no depth beyond that has a volume."""
    assert TABLE.pairs[0] == (0.0, 0.0)
    assert TABLE.pairs[-1][0] == pytest.approx(0.4)
    assert len(TABLE.pairs) == 161
    assert all(d1 > d0 and v1 > v0 for (d0, v0), (d1, v1) in pairwise(TABLE.pairs))
    with pytest.raises(ValueError, match=r"0\.41 mm is beyond the end of the table, 0\.4 mm"):
        TABLE.volume_mm3(0.41)


@pytest.mark.parametrize(
    ("field", "deepest_mm", "etch_factor"),
    [("depth_mm", 0.0, 1.0), ("etch_factor", 0.1, 0.0), ("depth_mm", math.nan, 1.0)],
)
def test_empty_table_is_refused(field: str, deepest_mm: float, etch_factor: float) -> None:
    with pytest.raises(RefusedError) as caught:
        relief_table(GROWTH, etch_factor, deepest_mm)
    assert caught.value.field == field


@pytest.mark.parametrize(
    "value",
    [GROWTH, MeasuredGrowth(((0.0, 1.0), (1.0, 2.0))), ScaledGrowth(GROWTH, 1, 0.0), TABLE],
    ids=lambda v: type(v).__name__,
)
def test_values_are_frozen(value: SteinerGrowth) -> None:
    with pytest.raises(FrozenInstanceError):
        setattr(value, fields(value)[0].name, 1.0)
    assert not hasattr(value, "__dict__")


@pytest.mark.parametrize("open_area_mm2", [0.0, -1.0, 0.5])
def test_growth_needs_open_area(open_area_mm2: float) -> None:
    """A growth curve without an open area at 0 mm is refused."""
    pairs = ((0.0, open_area_mm2), (0.1, 1.0))
    if open_area_mm2 > 0.0:
        assert MeasuredGrowth(pairs).area_mm2(0.0) == open_area_mm2
        return
    with pytest.raises(RefusedError, match="an open area above 0 mm2 at 0 mm"):
        MeasuredGrowth(pairs)


@pytest.mark.parametrize(
    "pair", [(math.inf, 2.0), (math.nan, 2.0), (0.1, math.inf), (0.1, math.nan)]
)
def test_growth_must_be_finite(pair: tuple[float, float]) -> None:
    with pytest.raises(RefusedError, match="finite numbers"):
        MeasuredGrowth(((0.0, 1.0), pair))


def test_growth_starts_at_0() -> None:
    with pytest.raises(RefusedError, match="must be at 0 mm"):
        MeasuredGrowth(((-0.1, 1.0), (0.2, 2.0)))
