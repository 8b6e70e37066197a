"""The film's parts alone: exact distances, rings, uneven undercut, figures to JSON and back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from controller.artwork.film.close import close_distance
from controller.artwork.film.options import FilmOptions
from controller.artwork.film.result import FilmLine, FilmResult
from controller.artwork.film.rings import traced
from controller.artwork.film.undercut import Undercut
from controller.artwork.outline.chain import Chain
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.texts import Message

RESULT = FilmResult(
    depth_mm=0.25,
    etch_factor=1.25,
    undercut_mm=0.2,
    least_undercut_mm=0.2,
    most_undercut_mm=0.2,
    evenness=None,
    lines_saved=3,
    lines_lost=1,
    lost_lines=(FilmLine(1.0, 2.0, 0.3, 0.0, 4.0),),
    openings_limited=0,
    limited_openings=(),
    width_mm=120.0,
    height_mm=80.0,
    plate_width_mm=30.0,
    plate_height_mm=20.0,
    scale_bar_mm=100.0,
    mirrored=True,
    negative=False,
    file_format="pdf",
    dpi=None,
    sha256="9a" * 32,
    warnings=(Message("artwork.film.lines_lost", {"count": 1}),),
)


def test_close_distance_is_exact() -> None:
    """Distances to a polygon's edge agree with shapely's, also beside long segments."""
    corners = np.array([(3.2, 3.1), (16.7, 5.3), (9.4, 17.9)])
    edge = Polygon(corners).exterior
    found = close_distance((22, 22), Chain(corners[:, 0], corners[:, 1], np.array([1, 2, 0])), 3)
    near = 0
    for row in range(22):
        for column in range(22):
            truth = edge.distance(Point(column, row))
            if truth < 2.99:
                assert found[row, column] == pytest.approx(truth, abs=1e-6)
                near += 1
            elif truth > 3.01:
                assert found[row, column] == np.inf
    assert near > 100


def test_rings_close_around_openings() -> None:
    """A disc with a hole gives two rings, whose areas are those of the two circles."""
    y, x = np.mgrid[0:80, 0:80]
    away = np.hypot(x - 39.3, y - 40.2)
    height = np.minimum(30.0 - away, away - 12.0)
    picture = np.clip(np.floor(height * 60.0 + 128.0), 0, 255).astype(np.uint8)
    areas = sorted(Polygon(ring).area for ring in traced(picture, 0.01))
    assert areas == pytest.approx([np.pi * 12.0**2, np.pi * 30.0**2], rel=2e-3)


@pytest.mark.parametrize(("level", "rings"), [(120, 1), (10, 2)])
def test_saddle_is_joined_by_mean(level: int, rings: int) -> None:
    """Two pixels that touch at a corner are one opening when the mean of the four is open."""
    picture = np.zeros((10, 10), np.uint8)
    picture[4, 4] = picture[5, 5] = 200
    picture[4, 5] = picture[5, 4] = level
    assert len(traced(picture, 0.0)) == rings


def test_bad_vertices_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise with far too many corners is refused."""
    monkeypatch.setattr("controller.artwork.film.rings.MOST_VERTICES", 1000)
    noise = np.random.default_rng(1).integers(0, 256, (80, 80)).astype(np.uint8)
    with pytest.raises(RefusedError, match="more than 1000 corners"):
        traced(noise, 0.01)


def test_undercut_between_cells() -> None:
    """Between the middles of coarse cells the undercut is linear, beyond them constant."""
    undercut = Undercut(10.0, np.array([[1.0, 2.0], [1.0, 2.0]]), 4)
    row = undercut.over(0, -2, 1, 12)[0]
    assert row[:4].tolist() == [10.0] * 4
    assert row[4:8].tolist() == pytest.approx([11.25, 13.75, 16.25, 18.75], abs=1.3)
    assert row[-2:].tolist() == [20.0, 20.0]
    assert (undercut.least_px, undercut.most_px) == (10.0, 20.0)


def test_figures_to_json_and_back() -> None:
    """The figures survive the way out of the worker."""
    assert FilmResult.from_dict(RESULT.to_dict()) == RESULT
    for change in ({"width_mm": float("nan")}, {"sha256": ["x"]}):
        with pytest.raises(RefusedError):
            FilmResult.from_dict({**RESULT.to_dict(), **change})
    with pytest.raises(RefusedError):
        FilmResult.from_dict({**RESULT.to_dict(), "more": 1})


def test_options_to_json_and_back() -> None:
    """The options survive the way into the worker, the bath's field included."""
    options = FilmOptions(0.25, 1.2, "svg", tab_edge="left", field=BathField(), evenness=0.4)
    assert FilmOptions.from_dict(options.to_dict()) == options
    assert replace(options, etch_factor=2.5).undercut_mm == pytest.approx(0.1)
    with pytest.raises(RefusedError):
        FilmOptions.from_dict({**options.to_dict(), "more": 1})
