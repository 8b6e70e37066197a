"""Distances against a full search over all seeds, and against scipy's exact transform."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from controller.artwork.distances.distance import MAX_CELLS, scale_for, squared_distance
from controller.artwork.distances.seeds import Seeds, column_and_row_seeds
from controller.artwork.measuring.measure import _TILE_PX
from controller.artwork.measuring.pieces import _MOST_WIDTH_PX
from controller.artwork.measuring.tile import HALO_PX
from controller.artwork.outline.chain import Chain

NOTHING = Seeds(np.zeros(0, np.intp), np.zeros(0), np.zeros(0), np.zeros(0, np.bool_))


def some_seeds(rng: np.random.Generator, count: int, length: int, lines: int) -> Seeds:
    return Seeds(
        rng.integers(0, lines, count),
        rng.uniform(0, length - 1, count),
        np.zeros(count),
        np.ones(count, np.bool_),
    )


@pytest.mark.parametrize("count", [1, 5, 40, 400])
@pytest.mark.parametrize("reach_px", [12.0, 26.0])
def test_distances_match_full_search(count: int, reach_px: float) -> None:
    """Every pixel has the distance of a full search."""
    rng = np.random.default_rng(count)
    height, width = 90, 70
    columns, rows = some_seeds(rng, count, height, width), some_seeds(rng, count, width, height)
    found = np.sqrt(
        squared_distance((height, width), columns, rows, reach_px) / scale_for(reach_px)
    )
    y, x = np.mgrid[:height, :width]
    seed_x, seed_y = np.r_[columns.line, rows.at_px], np.r_[columns.at_px, rows.line]
    true = np.sqrt(((x[..., None] - seed_x) ** 2 + (y[..., None] - seed_y) ** 2).min(-1))
    near = (true < reach_px) & (true > 1.0)
    assert np.abs(found - true)[near].max() < 0.03
    assert abs((found - true)[near].mean()) < 0.002, "rounding averages out"
    assert (found[true > reach_px + 0.1] > reach_px).all()


def test_distances_match_scipy() -> None:
    """Seeds on pixels agree with SciPy."""
    rng = np.random.default_rng(0)
    is_seed = rng.random((80, 80)) < 0.01
    row, col = np.nonzero(is_seed)
    seeds = Seeds(col, row.astype(float), np.zeros(len(row)), np.ones(len(row), np.bool_))
    found = np.sqrt(squared_distance((80, 80), seeds, NOTHING, 20.0) / scale_for(20.0))
    true = distance_transform_edt(~is_seed)
    assert found[true < 20] == pytest.approx(true[true < 20], abs=0.02)


def test_largest_piece_fits() -> None:
    """3 mm of growth at 1199 dpi: 828 rows of 8508 px.

    Looked at where the numbers are largest, at its far corner.
    """
    reach_px = 3.0 / 25.4 * 1199 + 2.0
    halo = int(np.ceil(reach_px)) + HALO_PX
    height, width = _TILE_PX + 2 * halo, _MOST_WIDTH_PX + 2 * halo
    assert height * (width + int(reach_px) + 3) < MAX_CELLS
    assert 2 * MAX_CELLS * 32 <= 2**31, "two positions in 1/32 px fit in a signed number"
    row, x_px = height - 2, width - 3.5
    seeds = Seeds(np.array([row]), np.array([x_px]), np.zeros(1), np.ones(1, np.bool_))
    found = squared_distance((height, width), NOTHING, seeds, reach_px)
    scale = scale_for(reach_px)
    assert found[row, width - 1] == pytest.approx(2.5**2 * scale, abs=1)
    assert found[row - 100, width - 54] == pytest.approx((100**2 + 50.5**2) * scale, abs=1)
    assert (found[:, : width - 154] > reach_px**2 * scale).all()
    assert (found[: height - 154] > reach_px**2 * scale).all()
    turned = squared_distance((width, height), seeds, NOTHING, reach_px)
    assert (turned == found.T).all()


def test_rows_are_separate() -> None:
    """Rows lie end to end in memory: a seed at the end of one is next to the start of the following
    one.
    """
    seeds = Seeds(np.array([4, 6]), np.array([59.9, -0.9]), np.zeros(2), np.ones(2, np.bool_))
    found = np.sqrt(squared_distance((11, 60), NOTHING, seeds, 12.0) / scale_for(12.0))
    assert found[5, 0] == pytest.approx(np.hypot(0.9, 1.0), abs=0.03)
    assert found[5, 59] == pytest.approx(np.hypot(0.9, 1.0), abs=0.03)
    assert found[4, 0] == pytest.approx(np.hypot(0.9, 2.0), abs=0.03)
    assert (found[:, 14:45] > 12.0).all()


@pytest.mark.parametrize("shape", [(1, 300), (300, 1), (3, 2000), (2000, 3)])
def test_tiles_of_any_shape(shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(7)
    columns, rows = some_seeds(rng, 9, shape[0], shape[1]), some_seeds(rng, 9, shape[1], shape[0])
    found = np.sqrt(squared_distance(shape, columns, rows, 20.0) / scale_for(20.0))
    y, x = np.mgrid[: shape[0], : shape[1]]
    seed_x, seed_y = np.r_[columns.line, rows.at_px], np.r_[columns.at_px, rows.line]
    true = np.sqrt(((x[..., None] - seed_x) ** 2 + (y[..., None] - seed_y) ** 2).min(-1))
    near = (true < 20.0) & (true > 1.0)
    assert np.abs(found - true)[near].max() < 0.03
    assert (found[true > 20.1] > 20.0).all()


def test_grid_lines_crossed_once() -> None:
    """Each grid line is crossed once."""
    chain = Chain(
        np.array([1.0, 4.5, 4.5, 1.0]), np.array([2.0, 2.7, 6.0, 5.5]), np.array([1, 2, 3, 0])
    )
    columns, rows = column_and_row_seeds(chain)
    assert sorted(columns.line.tolist()) == [2, 2, 3, 3, 4, 4]
    assert sorted(rows.line.tolist()) == [3, 3, 4, 4, 5, 5, 6]
    assert columns.at_px[columns.line == 2] == pytest.approx([2.0 + 0.2, 5.5 + 0.5 / 3.5])
    assert columns.enters.tolist() == [True] * 3 + [False] * 3, "open is to the right of travel"
