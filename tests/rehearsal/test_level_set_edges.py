"""Where edges lie between the cells, and when a creeping front gets where, against shapely's
distances and areas.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import Point

from hardware.rehearsal.level_set.edges import edge_distance, open_share
from hardware.rehearsal.level_set.travel import travel
from tests.kits.artwork.shapes import bar, coverage, disc

SHAPES = {"disc": disc(9.3, 16.2, 15.7), "turned bar": bar(14.0, 9.0, 16.1, 15.8, 0.35)}
SIDE = 32


def centres() -> tuple[np.ndarray, np.ndarray]:
    row, col = np.mgrid[0:SIDE, 0:SIDE]
    return col + 0.5, row + 0.5


@pytest.mark.parametrize("name", SHAPES)
def test_distances_match_shapely(name: str) -> None:
    """Distances near the edge are Shapely's."""
    shape = SHAPES[name]
    found = edge_distance(coverage(shape, SIDE, SIDE, 1.0), 2)
    x, y = centres()
    points = shapely.points(x, y)
    truth = shapely.distance(points, shape.boundary) * np.where(
        shapely.contains(shape, points), -1.0, 1.0
    )
    near = np.abs(truth) < 1.5
    assert np.isfinite(found[near]).all()
    assert np.isinf(found[np.abs(truth) > 3.0]).all()
    corners = (
        shapely.multipoints(shapely.get_coordinates(shape))
        if name == "turned bar"
        else Point(-99.0, -99.0)
    )
    off = np.abs(found - truth)[near & (shapely.distance(points, corners) > 3.0)]
    assert off.max() < 0.1, "edges along the grid are off by up to 0.08"
    assert off.mean() < 0.05


@pytest.mark.parametrize("name", SHAPES)
def test_shares_sum_to_area(name: str) -> None:
    """The shares of the squares add up to the area."""
    shape = SHAPES[name]
    off = open_share(coverage(shape, SIDE, SIDE, 1.0)).sum() - shape.area
    assert abs(off) < 0.03 * shape.length, "of a cell along the edge; the bar's corners are cut"


def test_shares_of_one_square() -> None:
    """Half coverage at three quarters of the way: an upright, a level and a slanted cut."""
    upright = np.array([[1.0, 1.0 / 3.0], [1.0, 1.0 / 3.0]])
    assert open_share(upright)[0, 0] == pytest.approx(0.75)
    assert open_share(upright.T)[0, 0] == pytest.approx(0.75)
    assert open_share(np.array([[1.0, 0.5], [0.5, 0.0]]))[0, 0] == pytest.approx(0.5)
    assert open_share(np.ones((2, 2)))[0, 0] == 1.0
    assert open_share(np.zeros((2, 2)))[0, 0] == 0.0


def test_front_from_a_disc() -> None:
    """A front from a disc arrives by its distance."""
    side, x0, y0, radius = 80, 40.3, 39.8, 8.0
    row, col = np.mgrid[0:side, 0:side]
    away = np.hypot(col - x0, row - y0) - radius
    start = np.where(away <= 1.5, np.maximum(away, 0.0) * 2.0, 0.0)
    arrival = travel(start, away <= 1.5, 2.0, 40.0)
    reached = (away > 1.5) & (away < 19.0)
    assert np.abs(arrival - 2.0 * away)[reached].max() < 2.0 * 0.2
    assert np.isinf(arrival[away > 21.5]).all()


def test_front_goes_round_obstacles() -> None:
    """A wall with a gap at one end: the way round it is two straight legs. Source: Pythagoras."""
    start = np.zeros((41, 41))
    start[20, 0:31] = np.inf
    is_start = np.zeros(start.shape, dtype=bool)
    rows, cols = np.mgrid[0:41, 0:41]
    near = np.hypot(rows - 10, cols - 10) <= 3.0
    is_start |= near
    start[near] = np.hypot(rows - 10, cols - 10)[near]
    arrival = travel(start, is_start, 1.0, 100.0)
    way = Point(10, 10).distance(Point(31, 20)) + Point(31, 20).distance(Point(10, 30))
    assert arrival[30, 10] == pytest.approx(way, rel=0.03)
    assert np.isinf(arrival[20, 5])
