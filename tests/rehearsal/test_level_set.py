"""The front on the artwork's pixels against bodies of known volume, and against the plan's formula.

Exact bodies: with no crowding a surface that recedes at one speed reaches every point within d of
the opening (sideways d over the etch factor). The removed volume is the integral over the distance
s from it of d sqrt(1 - (s/x)^2), x = d / etch factor, times the growth of the opening's area.
Source: Minkowski-Steiner formula; the areas are shapely's, not this project's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely import affinity
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.physics.relief import MeasuredGrowth, removed_volume_mm3
from hardware.rehearsal.front_table import FrontRow
from hardware.rehearsal.level_set import solver as level_set
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution
from hardware.rehearsal.level_set.solver import solve_front
from tests.kits.artwork.shapes import (
    bar,
    coverage,
    disc,
    file_bytes,
    rows_of_bars,
    star,
)
from tests.kits.message_kit import raises_message

PX_MM = 25.4 / 600
DISC = disc(1.5, 2.51, 2.47)
SMALL_DISC = disc(0.75, 1.26, 1.22)
RING = disc(1.2, 2.51, 2.47).difference(disc(0.9, 2.51, 2.47))
SQUARE = bar(2.0, 2.0, 2.53, 2.51, 0.4)
STAR = star(5, 3.0, 3.0 * 0.382, 3.52, 3.51, 0.3)
LINES = rows_of_bars(0.2, 0.5, 5, 3.17, 2.0, 0.2)
FINE_LINES = rows_of_bars(0.1, 0.35, 5, 3.17, 1.25, 0.0)
SHEETS_PX = {
    DISC: (118, 118), SMALL_DISC: (59, 59), RING: (118, 118), SQUARE: (118, 118),
    STAR: (166, 166), LINES: (150, 95), FINE_LINES: (150, 59),
}  # fmt: skip
"""Width and height of each shape's sheet: no larger than its fronts need."""


def exact_mm3(
    shape: BaseGeometry, plate: BaseGeometry, depth_mm: float, etch_factor: float, parts: int = 60
) -> float:
    """Midpoint rule over s = x sin t, of the integral by parts: d times the mean of A(x sin t) sin
    t over a quarter turn.
    """
    turns = (np.arange(parts) + 0.5) * math.pi / 2.0 / parts
    areas = [
        shape.buffer(depth_mm / etch_factor * math.sin(t), quad_segs=64).intersection(plate).area
        for t in turns
    ]
    return float(depth_mm * np.dot(areas, np.sin(turns)) * math.pi / 2.0 / parts)


def cropped(
    path: Path, shape: BaseGeometry, width_px: int, height_px: int, dpi: int = 600
) -> tuple[Path, BaseGeometry, BaseGeometry]:
    """Write a sheet that a shape may run over; return it, the shape on it, and the sheet."""
    rim, px_mm = 24, 25.4 / dpi
    moved = affinity.translate(shape, rim * px_mm, rim * px_mm)
    share = coverage(moved, width_px + 2 * rim, height_px + 2 * rim, px_mm)[rim:-rim, rim:-rim]
    path.write_bytes(
        file_bytes(Image.fromarray((255.0 - np.rint(share * 255.0)).astype(np.uint8)), "PNG", dpi)
    )
    sheet = box(0.0, 0.0, width_px * px_mm, height_px * px_mm)
    return path, shape.intersection(sheet), sheet


def save(path: Path, shape: BaseGeometry) -> Path:
    """Write one of the shapes on its sheet."""
    return cropped(path, shape, *SHEETS_PX[shape])[0]


def solved(
    path: Path,
    etch_factor: float = 1.0,
    depth_mm: float = 0.25,
    crowding: float = 0.0,
    **options: object,
) -> FrontSolution:
    """Return the front's solution, worked out once for the same pixels and the same job."""
    measure = MeasureOptions(**options)  # type: ignore[arg-type]
    job = FrontJob(path, measure, etch_factor, depth_mm, crowding)
    shape = (level_set._TILE_CELLS, level_set.REFUSED_CELL_STEPS)
    key = (path.read_bytes(), repr(replace(job, path=Path("a.png"))), shape)
    if key not in _SOLUTIONS:
        _SOLUTIONS[key] = solve_front(job)
    return _SOLUTIONS[key]


_SOLUTIONS: dict[tuple[bytes, str, tuple[int, float]], FrontSolution] = {}


def some_rows(solution: FrontSolution) -> list[FrontRow]:
    rows = solution.table.rows[1:]
    return [rows[len(rows) // 5], rows[len(rows) // 2], rows[-1]]


def worst(solution: FrontSolution, volume_mm3: Callable[[float], float]) -> float:
    """Return the largest difference to a volume, over it."""
    return max(abs(row.volume_mm3 / volume_mm3(row.depth_mm) - 1.0) for row in some_rows(solution))


@pytest.mark.parametrize("etch_factor", [0.7, 1.2])
@pytest.mark.parametrize(
    ("shape", "allowed"),
    [
        (DISC, 0.0005),
        (RING, 0.0015),
        (SQUARE, 0.0025),
        (STAR, 0.0075),
        (LINES, 0.0065),
        (FINE_LINES, 0.009),
    ],
    ids=["disc", "ring", "turned square", "star", "lines 0.2 mm", "lines 0.1 mm"],
)
def test_volume_matches_exact_body(
    tmp_path: Path, shape: BaseGeometry, allowed: float, etch_factor: float
) -> None:
    """The removed volume is that of the exact body."""
    path, opening, sheet = cropped(tmp_path / "a.png", shape, *SHEETS_PX[shape])
    found = solved(path, etch_factor)
    assert worst(found, lambda depth_mm: exact_mm3(opening, sheet, depth_mm, etch_factor)) < allowed


def test_convex_opening_matches_steiner(tmp_path: Path) -> None:
    """V = A d + (pi/4) P d^2 + (2/3) pi d^3. Source: Minkowski-Steiner formula."""
    found = solved(save(tmp_path / "a.png", DISC))
    area_mm2, edge_mm = math.pi * 1.5**2, math.pi * 3.0

    def steiner(d: float) -> float:
        return area_mm2 * d + math.pi / 4.0 * edge_mm * d**2 + 2.0 / 3.0 * math.pi * d**3

    assert worst(found, steiner) < 0.0005
    assert found.table.rows[-1].volume_mm3 > 1.09 * area_mm2 * 0.25, (
        "the undercut is a tenth: the check can fail"
    )


@pytest.mark.parametrize("etch_factor", [0.8, 1.5])
def test_straight_edge_is_quarter_ellipse(tmp_path: Path, etch_factor: float) -> None:
    """A straight edge has a quarter ellipse under the resist."""
    path, opening, _ = cropped(tmp_path / "a.png", box(-0.9, -0.9, 2.013, 6.0), 120, 120)
    found = solved(path, etch_factor)
    edge_mm = 120 * PX_MM
    assert (
        worst(found, lambda d: opening.area * d + math.pi / 4.0 * edge_mm * d**2 / etch_factor)
        < 0.001
    )


def test_wide_field_volume(tmp_path: Path) -> None:
    """Without undercut, and with it where the edge is far away."""
    without = solved(save(tmp_path / "a.png", DISC), etch_factor=40.0)
    assert worst(without, lambda d: DISC.area * d * (1.0 + math.pi / 2.0 / 1.5 * d / 40.0)) < 0.001
    path, opening, _ = cropped(
        tmp_path / "b.png", box(-0.5, -0.5, 5.5, 5.5).difference(disc(0.1, 2.5, 2.5)), 118, 118
    )
    assert solved(path, depth_mm=0.05).table.rows[-1].volume_mm3 == pytest.approx(
        opening.area * 0.05, rel=0.003
    )


def test_merging_lines_bounded_by_plate(tmp_path: Path) -> None:
    """Lines of 0.3 mm, 0.3 mm of resist between them, over the whole sheet: at 0.15 mm of undercut
    the fronts meet.
    """
    lines = unary_union([box(0.6 * k - 0.2, -0.9, 0.6 * k + 0.1, 6.0) for k in range(10)])
    path, opening, sheet = cropped(tmp_path / "a.png", lines, 118, 118)
    found = solved(path, depth_mm=0.6)
    rows = found.table.rows
    for row in rows[1:]:
        assert opening.area * row.depth_mm < row.volume_mm3 < sheet.area * row.depth_mm
    assert worst(found, lambda d: exact_mm3(opening, sheet, d, 1.0)) < 0.005
    last, end = rows[-3], rows[-1]
    spent_mm2 = (end.volume_mm3 - last.volume_mm3) / (end.depth_mm - last.depth_mm)
    assert spent_mm2 == pytest.approx(sheet.area, rel=0.03), (
        "what recedes is the whole plate, its crests a little faster"
    )


@pytest.mark.parametrize(
    ("shape", "allowed"), [(DISC, 0.0005), (STAR, 0.0075)], ids=["disc", "star"]
)  # fmt: skip
@pytest.mark.parametrize("etch_factor", [0.7, 1.2])
def test_plan_formula_agrees(
    tmp_path: Path, shape: BaseGeometry, allowed: float, etch_factor: float
) -> None:
    """Two ways to the same body that share the reading of the file and nothing else."""
    path = save(tmp_path / "a.png", shape)
    growth = MeasuredGrowth(measure_file(path, MeasureOptions()).growth_mm2)
    assert (
        worst(solved(path, etch_factor), lambda d: removed_volume_mm3(d, growth, etch_factor))
        < allowed
    )


def test_floor_is_even(tmp_path: Path) -> None:
    """The floor is as deep as asked and even."""
    rows = solved(save(tmp_path / "a.png", SQUARE), 1.2, 0.3).table.rows
    assert rows[-1].depth_mm == pytest.approx(0.3, rel=1e-5)
    assert all(row.deepest_mm == pytest.approx(row.depth_mm, rel=5e-4) for row in rows[1:])
    assert all(later.depth_mm > row.depth_mm for row, later in pairwise(rows))


@pytest.mark.parametrize("excess", [0.15, 0.3])
def test_crowding_deepens_the_edges(tmp_path: Path, excess: float) -> None:
    """Steep walls (etch factor 10): every place goes down at its own speed, 1 + x (1 - r/w)^2
    within w = 0.5 mm of the edge.

    Over a disc of radius R the mean of that square is 2 w/R (1/3 - w/(12 R)), by integration.
    """
    row = solved(save(tmp_path / "a.png", SMALL_DISC), 10.0, 0.25, excess).table.rows[-1]
    width, radius = 0.5, 0.75
    mean = 2.0 * width / radius * (1.0 / 3.0 - width / (12.0 * radius))
    fastest = (1.0 + excess) / (1.0 + excess * mean)
    assert row.depth_mm == pytest.approx(0.25, rel=0.0005)
    assert row.deepest_mm == pytest.approx(0.25 * fastest, rel=0.001)
    # Under the resist the front goes at the speed of the edge, from the edge's depth.
    under_mm3 = (
        math.pi / 4.0 * SMALL_DISC.length * (0.25 * fastest) ** 2 / 10.0
        + 2.0 / 3.0 * math.pi * (0.25 * fastest) ** 3 / 100.0
    )
    assert row.volume_mm3 == pytest.approx(SMALL_DISC.area * 0.25 + under_mm3, rel=0.002)


def test_depth_bounded_by_fastest_place(tmp_path: Path) -> None:
    """Walls too steep for the grid: 0.0025 mm of undercut on cells of 0.005 mm."""
    found = solved(save(tmp_path / "a.png", SMALL_DISC), 40.0, 0.1, 0.15)
    assert all(row.deepest_mm < 1.15 * 1.0005 * row.depth_mm for row in found.table.rows[1:])


def test_crowding_with_undercut(tmp_path: Path) -> None:
    """Crowding with undercut takes more for the same floor."""
    path = save(tmp_path / "a.png", SMALL_DISC)
    plain, crowded = (solved(path, 1.2, 0.25, excess).table.rows[-1] for excess in (0.0, 0.3))
    assert crowded.deepest_mm > 1.1 * crowded.depth_mm
    assert crowded.depth_mm == pytest.approx(0.25, rel=0.02)
    assert crowded.volume_mm3 / crowded.depth_mm > 1.005 * plain.volume_mm3 / plain.depth_mm


def test_tiles_leave_no_seams(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A seam 85 of 118 pixels in, so that some places have their nearest edge beyond it."""
    path = save(tmp_path / "a.png", DISC)
    monkeypatch.setattr(level_set, "_TILE_CELLS", 425)
    parts = solved(path, 1.0, 0.15, 0.3)
    monkeypatch.setattr(level_set, "_TILE_CELLS", 4000)
    whole = solved(path, 1.0, 0.15, 0.3)
    for one, other in zip(whole.table.rows[1:], parts.table.rows[1:], strict=True):
        assert other.volume_mm3 == pytest.approx(one.volume_mm3, rel=2e-5)
        assert other.deepest_mm == pytest.approx(one.deepest_mm, rel=1e-4)


def test_copies_and_outline_count(tmp_path: Path) -> None:
    """Copies and the plate's outline count."""
    path = save(tmp_path / "a.png", DISC)
    one, three = solved(path).table.rows[-1], solved(path, copies=3).table.rows[-1]
    assert three.volume_mm3 == pytest.approx(3.0 * one.volume_mm3, rel=1e-9)
    assert three.depth_mm == one.depth_mm
    half = solved(path, plate_width_mm=2.0, plate_height_mm=2.0).table.rows[-1]
    plate = affinity.translate(box(-1.0, -1.0, 1.0, 1.0), 118 * PX_MM / 2.0, 118 * PX_MM / 2.0)
    assert half.volume_mm3 == pytest.approx(exact_mm3(DISC, plate, half.depth_mm, 1.0), rel=0.003)


def test_lower_resolution_cut_finer(tmp_path: Path) -> None:
    """300 dpi: pixels of 0.085 mm, cells of a sixth of that."""
    path, opening, sheet = cropped(tmp_path / "a.png", DISC, 59, 59, 300)
    found = solved(path)
    assert found.cell_mm == pytest.approx(25.4 / 300 / 6)
    assert worst(found, lambda d: exact_mm3(opening, sheet, d, 1.0)) < 0.001


def test_unsolvable_artwork_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What cannot be solved is refused."""
    white = tmp_path / "white.png"
    white.write_bytes(file_bytes(Image.new("L", (100, 100), 255), "PNG", 600))
    with pytest.raises(RefusedError) as caught:
        solved(white)
    assert caught.value.field in ("file", "invert")
    path = save(tmp_path / "a.png", DISC)
    monkeypatch.setattr(level_set, "REFUSED_CELL_STEPS", 1e4)
    with raises_message(RefusedError, "hardware.front.too_large") as caught:
        solved(path)
    assert caught.value.field == "artwork"
