"""The front under a true current distribution: places, undercut, and the metal that it takes.

What may be exact is held to it; the distribution itself is tested in test_field.py.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from controller.artwork.loading.levels import find_levels
from controller.artwork.measuring.measure import load_picture
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from hardware.rehearsal.front_table import FrontRow, FrontTable, Spot, TabulatedFront
from hardware.rehearsal.level_set import solver as level_set
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution
from hardware.rehearsal.level_set.overview import Overview
from hardware.rehearsal.level_set.places import DEEPEST, KINDS
from hardware.rehearsal.level_set.solver import solve_front
from tests.kits.artwork.shapes import coverage, disc, file_bytes

PX_MM = 25.4 / 300
WIDTH_MM, HEIGHT_MM = 10.0, 6.0
FIELD = box(1.0, 1.0, 6.0, 5.0)
LINE = box(7.0, 1.0, 7.22, 5.0)
BAR = box(8.2, 1.0, 8.8, 5.0)
PATTERN = unary_union([FIELD, LINE, BAR])
MIDDLE, LEFT, ALONE = Spot("middle", 3.5, 3.0), Spot("edge", 1.05, 3.0), Spot("line", 7.11, 3.0)
SPOTS = (MIDDLE, LEFT, ALONE, *(Spot(name, 0.0, 0.0) for name in (*KINDS, DEEPEST)))
EVENNESS = 0.6


def sheet(path: Path, shape: BaseGeometry, width_mm: float, height_mm: float) -> Path:
    share = coverage(shape, round(width_mm / PX_MM), round(height_mm / PX_MM), PX_MM)
    grey = Image.fromarray((255.0 - np.rint(share * 255.0)).astype(np.uint8))
    path.write_bytes(file_bytes(grey, "PNG", 300))
    return path


def solved(path: Path, evenness: float, etch_factor: float = 0.9, **more: object) -> FrontSolution:
    options = MeasureOptions()
    return solve_front(
        FrontJob(path, options, etch_factor, 0.25, evenness=evenness, **more)  # type: ignore[arg-type]
    )


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sheet(tmp_path_factory.mktemp("pattern") / "a.png", PATTERN, WIDTH_MM, HEIGHT_MM)


@pytest.fixture(scope="module")
def uneven(pattern: Path) -> dict[str, float]:
    found = solved(pattern, EVENNESS, spots=SPOTS)
    return {spot.name: ratio for spot, ratio in found.table.spots}


def test_places_are_ordered(uneven: dict[str, float]) -> None:
    """The middle of a field is the shallowest, then its edge; a lone line is deeper."""
    assert uneven["middle"] < 0.95
    assert uneven["middle"] < uneven["edge"] < uneven["line"]
    assert uneven["line"] == pytest.approx(uneven["lines-under-0.3-mm"], rel=0.05)
    assert uneven["deepest-twentieth"] >= max(uneven["line"], uneven["edge"]) * 0.99


def test_kinds_share_the_mean(uneven: dict[str, float]) -> None:
    """Every place has one kind: weighted with their areas, the depths of the kinds have the mean 1.

    The areas are shapely's: what a disc of 0.3, 1 and 3 mm covers inside the openings.
    """
    covered = [PATTERN.buffer(-w / 2.0).buffer(w / 2.0).area for w in (0.3, 1.0, 3.0)]
    areas_mm2 = -np.diff([PATTERN.area, *covered, 0.0])
    assert areas_mm2[0] == pytest.approx(LINE.area, rel=0.1), "the others lose only their corners"
    total = sum(uneven[name] * area_mm2 for name, area_mm2 in zip(KINDS, areas_mm2, strict=True))
    assert total / PATTERN.area == pytest.approx(1.0, abs=0.006)


def test_uniform_places_are_alike(pattern: Path) -> None:
    """With evenness 0 every place has the mean depth, and the table is the one without spots."""
    found = solved(pattern, 0.0, spots=SPOTS)
    assert [ratio for _, ratio in found.table.spots] == pytest.approx([1.0] * 8, rel=1e-3)
    assert solved(pattern, 0.0).table.rows == found.table.rows


def test_kinds_have_their_width(tmp_path: Path) -> None:
    """Bars of 0.2, 0.6, 2 and 4 mm at 600 dpi, one of each kind."""
    path = tmp_path / "a.png"
    shape = unary_union(
        [box(1.0 + 4.0 * k, 1.0, 1.0 + 4.0 * k + w, 6.0) for k, w in enumerate(BARS)]
    )
    grey = coverage(shape, 450, 165, 25.4 / 600)
    path.write_bytes(
        file_bytes(Image.fromarray((255.0 - np.rint(grey * 255.0)).astype(np.uint8)), "PNG", 600)
    )
    options = MeasureOptions()
    picture = load_picture(path, options)
    kinds = Overview(Sheet(picture, find_levels(picture, False), options)).kinds
    row = round(3.5 / 25.4 * 600)
    for kind, width_mm in enumerate(BARS):
        middle = round((1.0 + 4.0 * kind + width_mm / 2.0) / 25.4 * 600)
        assert kinds[row, middle] == kind


BARS = (0.2, 0.6, 2.0, 4.0)


def test_undercut_follows_local_depth(tmp_path: Path) -> None:
    """Undercut is local depth over etch factor: at the edge of a disc with depth r d,
    V = A d + (pi/4) P (r d)^2 / e + (2/3) pi (r d)^3 / e^2. Source: Minkowski-Steiner formula.
    """
    radius_mm, etch_factor = 3.0, 1.0
    path = sheet(tmp_path / "a.png", disc(radius_mm, 4.0, 4.0), 8.0, 8.0)
    edge = Spot("edge", 4.0 - radius_mm + 0.02, 4.0)
    found = solved(path, 0.7, etch_factor, spots=(edge, Spot("middle", 4.0, 4.0)))
    (_, ratio), (_, middle) = found.table.spots
    assert ratio > 1.08 > 0.95 > middle, "the check can fail"
    row = found.table.rows[-1]
    under = ratio * row.depth_mm
    exact_mm3 = math.pi * radius_mm**2 * row.depth_mm
    exact_mm3 += math.pi / 4.0 * 2.0 * math.pi * radius_mm * under**2 / etch_factor
    exact_mm3 += 2.0 / 3.0 * math.pi * under**3 / etch_factor**2
    assert row.volume_mm3 == pytest.approx(exact_mm3, rel=0.005)
    assert row.deepest_mm == pytest.approx(under, rel=0.02)


def test_steep_walls_take_the_mean(pattern: Path) -> None:
    """With hardly any undercut the removed metal is open area times mean depth."""
    row = solved(pattern, EVENNESS, 8.0).table.rows[-1]
    assert row.depth_mm == pytest.approx(0.25, rel=1e-3)
    under_mm3 = math.pi / 4.0 * PATTERN.length * 0.25**2 / 8.0 * 1.2
    assert row.volume_mm3 == pytest.approx(PATTERN.area * 0.25 + under_mm3, rel=0.006)


def test_tiles_leave_no_seams(pattern: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = solved(pattern, EVENNESS, spots=SPOTS)
    monkeypatch.setattr(level_set, "_TILE_CELLS", 128)
    parts = solved(pattern, EVENNESS, spots=SPOTS)
    assert parts.table.rows[-1].volume_mm3 == pytest.approx(
        whole.table.rows[-1].volume_mm3, rel=1e-4
    )
    assert [r for _, r in parts.table.spots] == pytest.approx(
        [r for _, r in whole.table.spots], rel=1e-3
    )


def test_solution_survives_json() -> None:
    rows = (FrontRow(0.0, 0.0, 0.0), FrontRow(0.2, 3.0, 0.25))
    table = FrontTable(rows, ((MIDDLE, 0.9), (ALONE, 1.2)))
    solution = FrontSolution(table, 0.02, 10, 3)
    assert FrontSolution.from_dict(json.loads(json.dumps(solution.to_dict()))) == solution
    assert table.plate(2, 5.0).spots == table.spots
    job = FrontJob(Path("/a.png"), MeasureOptions(), 1.2, 0.2, evenness=0.3, spots=SPOTS)
    assert FrontJob.from_dict(json.loads(json.dumps(job.to_dict()))) == job


def test_front_returns_its_volume(pattern: Path) -> None:
    """The front of the rig has removed the table's volume at its depth: nothing is lost between."""
    table = solved(pattern, EVENNESS).table
    front = TabulatedFront(table)
    row = table.rows[len(table.rows) // 2]
    for _ in range(1000):
        front.remove(row.volume_mm3 / 1000.0)
    assert front.depth_mm == pytest.approx(row.depth_mm, rel=1e-9)
