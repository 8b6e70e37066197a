"""Openings narrowed by the undercut, against shapely's buffer (GEOS) and arithmetic."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from controller.artwork.film.sheet_walk import SheetFilm
from controller.artwork.film.undercut import Undercut
from controller.artwork.loading.levels import find_levels
from controller.artwork.measuring.measure import load_picture
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from tests.artwork.film.film_kit import BARE, film, measured
from tests.kits.artwork import shapes

WIDE = {
    "square, turned": shapes.bar(4.0, 4.0, 5.02, 4.97, 0.4),
    "disc": shapes.disc(3.0, 5.01, 5.03),
    "star": shapes.star(5, 4.0, 2.2, 5.0, 5.0, 0.3),
    "ring": shapes.disc(4.0).difference(shapes.disc(2.0)),
    "point of 60 degrees": Polygon([(1, 8), (9, 8), (5, 1.0718)]),
}


@pytest.mark.parametrize("undercut_mm", [0.03, 0.2083, 0.5])
@pytest.mark.parametrize("name", WIDE)
def test_wide_openings(name: str, undercut_mm: float, tmp_path: Path) -> None:
    """The film is the drawn opening, less a rim as wide as the undercut.

    The doubt of 0.001 to 0.002 mm along the edges allows for pixels of 0.042 mm.
    """
    shape = WIDE[name]
    drawn = shapes.save(tmp_path / "drawn.png", shape, 600.0)
    result, path = film(drawn, depth_mm=undercut_mm, **BARE)
    truth = shape.buffer(-undercut_mm, quad_segs=64)
    found = measured(path)
    doubt_mm = 0.001 if undercut_mm == 0.03 else 0.002
    assert found.area_mm2 == pytest.approx(truth.area, abs=doubt_mm * truth.length)
    assert found.edge_mm == pytest.approx(truth.length, rel=0.01)
    assert (result.lines_lost, result.openings_limited) == (0, 0)


@pytest.mark.parametrize("kind", ["grey", "one_bit"])
def test_depth_zero_is_artwork(kind: str, tmp_path: Path) -> None:
    """A film for no depth is the artwork as drawn."""
    shape = unary_union([shapes.star(8, 1.0, 0.541, 2, 2, 0.2), shapes.bar(6, 0.12, 5, 6, 0.3)])
    drawn = shapes.save(tmp_path / "drawn.png", shape, 600.0, kind)
    result, path = film(drawn, depth_mm=0.0, **BARE)
    before, after = measured(drawn), measured(path)
    doubt_mm2 = 0.001 * shape.length + before.area_uncertainty_mm2
    assert after.area_mm2 == pytest.approx(before.area_mm2, abs=doubt_mm2)
    assert after.area_mm2 == pytest.approx(shape.area, abs=doubt_mm2)
    assert after.open_fields == before.open_fields == 2
    assert (result.undercut_mm, result.openings_limited) == (0.0, 0)


@pytest.mark.parametrize("turn_rad", [0.0, 0.4, math.pi / 4])
def test_narrow_openings_stay(turn_rad: float, tmp_path: Path) -> None:
    """A line of 0.3 mm would close at 0.2 mm on each side. It stays open by 0.1 mm."""
    shape = unary_union([shapes.bar(6.0, 0.3, 5, 4, turn_rad), box(1, 8, 9, 9.5)])
    drawn = shapes.save(tmp_path / "drawn.png", shape, 600.0)
    result, path = film(drawn, depth_mm=0.2, **BARE)
    found = measured(path)
    line_mm2 = found.area_mm2 - 7.6 * 1.1
    assert line_mm2 == pytest.approx(0.1 * 5.8, rel=0.06)
    assert found.open_fields == 2
    assert result.openings_limited == 1
    assert result.limited_openings[0].width_mm == pytest.approx(0.3, abs=0.01)
    assert result.limited_openings[0].etched_width_mm == pytest.approx(0.5, abs=0.01)


def test_bends_stay_whole(tmp_path: Path) -> None:
    """A thin ring keeps its strip all the way round, also where it runs at 45 degrees."""
    ring = shapes.disc(1.5, 3, 3).difference(shapes.disc(1.2, 3, 3))
    shape = unary_union([ring, box(6, 6, 9, 9)])
    drawn = shapes.save(tmp_path / "drawn.png", shape, 600.0)
    _, path = film(drawn, depth_mm=0.2, **BARE)
    found = measured(path)
    assert found.open_fields == 2
    strip_mm2 = math.pi * (1.4**2 - 1.3**2)
    assert found.area_mm2 - 2.6**2 == pytest.approx(strip_mm2, rel=0.08)


def test_dots_stay(tmp_path: Path) -> None:
    """Every dot narrower than the undercut stays open, at its place."""
    dots = [Point(1 + 1.5 * k, 2 + 0.01 * k).buffer(0.06 + 0.03 * k, 64) for k in range(5)]
    drawn = shapes.save(tmp_path / "drawn.png", unary_union([*dots, box(2, 5, 8, 9)]), 600.0)
    result, path = film(drawn, depth_mm=0.2, **BARE)
    assert measured(path).open_fields == 6
    assert result.openings_limited == 5
    places = sorted((line.x_mm, line.y_mm) for line in result.limited_openings)
    for dot, (x_mm, y_mm) in zip(dots, places, strict=True):
        assert math.hypot(x_mm - dot.centroid.x, y_mm - dot.centroid.y) < 0.06


def test_lines_saved_and_lost(tmp_path: Path) -> None:
    """Resist lines of 0.25 mm between openings g: left is 0.25 + g - 0.1 - 0.4 mm, at most 0.25.

    They count as lost when less than half is left: for g below 0.375 mm.
    """
    x, openings, middles = 1.0, [], []
    for gap in (1.0, 0.45, 0.45, 0.42, 0.42, 0.3, 0.3, 0.3):
        openings.append(box(x, 1, x + gap, 9))
        middles.append(x + gap + 0.125)
        x += gap + 0.25
    drawn = shapes.save(tmp_path / "drawn.png", unary_union(openings), 600.0)
    result, path = film(drawn, depth_mm=0.2, **BARE)
    assert (result.lines_saved, result.lines_lost) == (4, 3)
    assert [round(line.x_mm, 1) for line in sorted(result.lost_lines, key=lambda it: it.x_mm)] == [
        round(middle, 1) for middle in middles[4:7]
    ]
    left = sorted(line.etched_width_mm for line in result.lost_lines)
    assert left == pytest.approx([0.05, 0.05, 0.11], abs=0.012)
    plain = measured(drawn, depth_mm=0.2, etch_factor=1.0)
    assert plain.lost_line_count == 7
    assert measured(path, depth_mm=0.2, etch_factor=1.0).lost_line_count == 0


def test_no_opening_is_wide_enough(tmp_path: Path) -> None:
    """A film on which every opening would close is refused, with the width that is needed."""
    lines = shapes.rows_of_bars(0.3, 1.0, 5, 5.0, 5.0, 0.2)
    drawn = shapes.save(tmp_path / "drawn.png", lines, 600.0)
    with pytest.raises(RefusedError, match=r"0\.200 mm on each side.*wider than 0\.400 mm"):
        film(drawn, depth_mm=0.2, **BARE)


def test_tiles_meet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same film comes out of tiles of any size."""
    shape = unary_union([shapes.star(9, 4.0, 2.0, 5, 5, 0.1), shapes.bar(9, 0.2, 5, 9.3, 0.02)])
    drawn = shapes.save(tmp_path / "drawn.png", shape, 600.0)
    pictures = []
    for tile_px in (512, 64):
        monkeypatch.setattr("controller.artwork.film.sheet_walk._TILE_PX", tile_px)
        assert film(drawn, depth_mm=0.2, **BARE)[0].openings_limited == 1
        pictures.append(_picture(drawn, 0.2).astype(int))
    assert np.abs(pictures[0] - pictures[1]).max() <= 6, "a tenth of a pixel"


def _picture(drawn: Path, undercut_mm: float) -> np.ndarray:
    loaded = load_picture(drawn, MeasureOptions())
    levels = find_levels(loaded, False)
    sheet = Sheet(loaded, levels, MeasureOptions())
    return SheetFilm(sheet, levels, Undercut(undercut_mm / sheet.px_mm), 0.1).picture


def test_coarse_file(tmp_path: Path) -> None:
    """A file of 150 dpi, with grey edges, keeps its edges to a few hundredths of a pixel."""
    shape = shapes.disc(3.0, 5.01, 5.03)
    drawn = shapes.save(tmp_path / "drawn.png", shape, 150.0)
    _, path = film(drawn, depth_mm=0.25, **BARE)
    radius_mm = math.sqrt(measured(path).area_mm2 / np.pi)
    assert radius_mm == pytest.approx(2.75, abs=0.008)
