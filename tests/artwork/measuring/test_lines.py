"""Narrow lines: widths and places that are known because they were drawn."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import LineString, Point, box
from shapely.ops import unary_union

from controller.artwork.distances.gaps import Gaps
from controller.artwork.measuring.lines import LineBook
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from tests.kits.artwork.shapes import bar, disc, rows_of_bars, save

UNDERCUT = {"depth_mm": 0.24, "etch_factor": 1.2}
"""Undercut 0.2 mm: resist narrower than 0.4 mm is lost."""


@pytest.mark.parametrize("turn_rad", [0.0, 0.2, math.pi / 4, 1.4, 2.5])
def test_parallel_lines(tmp_path: Path, turn_rad: float) -> None:
    """Width and place of parallel lines."""
    shape = rows_of_bars(0.15, 0.45, 5, 5.0, 5.0, turn_rad)
    found = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions())
    assert found.narrowest_resist is not None
    assert found.narrowest_open is not None
    assert found.narrowest_resist.width_mm == pytest.approx(0.30, abs=0.01)
    assert found.narrowest_open.width_mm == pytest.approx(0.15, abs=0.006)
    # The place lies in the middle of a gap: 0.15 mm away from the bars, nowhere else.
    assert shape.distance(
        Point(found.narrowest_resist.x_mm, found.narrowest_resist.y_mm)
    ) == pytest.approx(0.15, abs=0.01)
    middle = Point(found.narrowest_open.x_mm, found.narrowest_open.y_mm)
    assert shape.contains(middle)
    assert shape.boundary.distance(middle) == pytest.approx(0.075, abs=0.02)


def test_narrower_of_two_necks(tmp_path: Path) -> None:
    """The narrower of two necks is found where it is."""
    shape = unary_union([disc(1.0, 3.0, 5.0), disc(1.0, 5.2, 5.0), disc(1.0, 7.5, 5.0)])
    found = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions())
    assert found.narrowest_resist is not None
    assert found.narrowest_resist.width_mm == pytest.approx(0.2, abs=0.01)
    assert (found.narrowest_resist.x_mm, found.narrowest_resist.y_mm) == pytest.approx(
        (4.1, 5.0), abs=0.12
    )
    assert found.open_fields == 3


def test_lines_of_single_disc(tmp_path: Path) -> None:
    """A single disc has no resist line and its diameter as open line."""
    found = measure_file(save(tmp_path / "a.png", disc(0.4), 600), MeasureOptions())
    assert found.narrowest_resist is None
    assert found.narrowest_open is not None
    assert found.narrowest_open.width_mm == pytest.approx(0.8, abs=0.03)


def test_wedge_is_no_line(tmp_path: Path) -> None:
    """The point of a wedge is no line."""
    wedge = (
        box(1, 1, 9, 9)
        .difference(bar(4.0, 0.5, 5.0, 5.0, 0.0))
        .intersection(Point(5, 5).buffer(3.5))
    )
    cut = LineString([(5, 3), (6.5, 5), (5, 7)]).buffer(0.25, cap_style="flat", join_style="mitre")
    shape = unary_union([wedge, bar(1.0, 1.0, 1.5, 1.5, 0.3)]).difference(cut)
    found = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions())
    assert found.narrowest_resist is not None
    assert found.narrowest_resist.width_mm == pytest.approx(0.5, abs=0.02)


def test_lost_lines_by_undercut(tmp_path: Path) -> None:
    """Gaps of 0.3, 0.39, 0.41 and 0.6 mm at an undercut of 0.2 mm: the first two are lost.

    Source: two fronts that meet.
    """
    gaps, edges, x = (0.3, 0.39, 0.41, 0.6), [], 2.0
    for gap in (*gaps, None):
        edges.append((x, x + 0.5))
        x += 0.5 + (gap or 0.0)
    shape = unary_union([box(left, 2.0, right, 7.0) for left, right in edges])
    found = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions(**UNDERCUT))
    assert found.undercut_mm == pytest.approx(0.2)
    assert found.lost_line_count == 2
    assert [line.width_mm for line in found.lost_lines] == pytest.approx([0.3, 0.39], abs=0.01)
    assert [line.x_mm for line in found.lost_lines] == pytest.approx(
        [edges[0][1] + 0.15, edges[1][1] + 0.195], abs=0.03
    )
    assert all(2.0 <= line.y_mm <= 7.0 for line in found.lost_lines)
    assert found.lost_lines[0].length_mm == pytest.approx(5.0, abs=0.2)


def test_no_depth_no_lost_lines(tmp_path: Path) -> None:
    """Without a depth nothing is called lost."""
    found = measure_file(
        save(tmp_path / "a.png", rows_of_bars(0.2, 0.4, 5, 5.0, 5.0, 0.3), 600), MeasureOptions()
    )
    assert found.lost_lines == ()
    assert found.lost_line_count == 0
    assert found.undercut_mm is None


@pytest.mark.parametrize("turn_rad", [0.6, -0.6, math.pi / 4, -math.pi / 4])
def test_line_through_several_tiles(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turn_rad: float
) -> None:
    """A line through several tiles is one lost line."""
    shape = box(1, 1, 9, 9).difference(bar(11.9, 0.2, 5.0, 5.0, turn_rad))
    monkeypatch.setattr("controller.artwork.measuring.measure._TILE_PX", 64)
    monkeypatch.setattr(
        "controller.artwork.measuring.pieces._MOST_WIDTH_PX", 1
    )  # each tile by itself
    found = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions(**UNDERCUT))
    assert found.lost_line_count == 1
    assert found.lost_lines[0].length_mm == pytest.approx(8.0 / math.cos(turn_rad), rel=0.05)
    assert found.lost_lines[0].width_mm == pytest.approx(0.2, abs=0.006)


def test_tiles_leave_no_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The result does not depend on the tiles."""
    shape = unary_union([rows_of_bars(0.2, 0.5, 9, 5.0, 5.0, 0.4), disc(0.6, 2.0, 8.0)])
    whole = measure_file(save(tmp_path / "a.png", shape, 600), MeasureOptions(**UNDERCUT))
    monkeypatch.setattr("controller.artwork.measuring.measure._TILE_PX", 50)
    monkeypatch.setattr(
        "controller.artwork.measuring.pieces._MOST_WIDTH_PX", 1
    )  # each tile by itself
    tiled = measure_file(tmp_path / "a.png", MeasureOptions(**UNDERCUT))
    assert tiled.area_mm2 == pytest.approx(whole.area_mm2, rel=1e-12)
    assert tiled.edge_mm == pytest.approx(whole.edge_mm, rel=2e-4)
    assert tiled.open_fields == whole.open_fields
    assert tiled.lost_line_count == whole.lost_line_count
    assert np.array(tiled.growth_mm2)[:, 1] == pytest.approx(
        np.array(whole.growth_mm2)[:, 1], rel=5e-4
    )


def samples(*places_px: tuple[float, float]) -> Gaps:
    """Samples of one resist line, 4 px wide, at these places."""
    count = len(places_px)
    x_px, y_px = np.array(places_px).T
    one, yes = np.ones(count), np.ones(count, np.bool_)
    return Gaps(x_px, y_px, 4.0 * one, one, yes, yes, 4.0 * one, 0.0 * one)


@pytest.mark.parametrize("step_px", [(1.0, 0.0), (0.7, 0.7), (0.7, -0.7), (0.0, 1.0)])
@pytest.mark.parametrize("start_px", [(62.9, 62.9), (62.9, 63.0), (63.0, 63.4), (63.4, 63.0)])
def test_two_samples_across_a_seam(
    start_px: tuple[float, float], step_px: tuple[float, float]
) -> None:
    """One in each of two tiles, a pixel apart, in the same cell or in cells that touch: either
    alone is too short for a line.
    """
    book = LineBook(undercut_px=3.0)
    end_px = (start_px[0] + step_px[0], start_px[1] + step_px[1])
    book.add(samples(start_px), 0, 0, 64, 64)
    book.add(
        samples(end_px), 64 if step_px[0] == 0.0 else 0, 0 if step_px[0] == 0.0 else 64, 128, 128
    )
    sheet = SimpleNamespace(origin_mm=(0.0, 0.0), px_mm=1.0)
    lines, count = book.lost_lines(sheet)  # type: ignore[arg-type]
    assert count == 1
    assert lines[0].length_mm == pytest.approx(2.0)


def test_single_sample_is_no_line() -> None:
    """One sample alone is no line."""
    book = LineBook(undercut_px=3.0)
    book.add(samples((30.0, 30.0)), 0, 0, 64, 64)
    book.add(samples((70.0, 30.0), (71.0, 30.0)), 0, 64, 64, 128)
    sheet = SimpleNamespace(origin_mm=(0.0, 0.0), px_mm=1.0)
    lines, count = book.lost_lines(sheet)  # type: ignore[arg-type]
    assert count == len(lines) == 1
    assert lines[0].x_mm == pytest.approx(70.5)
