"""Distances against a full search over all seeds, and against scipy's exact transform."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from controller.artwork.chain import Chain
from controller.artwork.distance import MAX_SIDE_PX, scale_for, squared_distance
from controller.artwork.seeds import Seeds, column_and_row_seeds


def some_seeds(rng: np.random.Generator, count: int, length: int, lines: int) -> Seeds:
    return Seeds(rng.integers(0, lines, count), rng.uniform(0, length - 1, count), np.zeros(count), np.ones(count, np.bool_))


@pytest.mark.parametrize("count", [1, 5, 40, 400])
@pytest.mark.parametrize("reach_px", [12.0, 26.0])
def test_every_pixel_has_the_distance_of_a_full_search(count: int, reach_px: float) -> None:
    rng = np.random.default_rng(count)
    height, width = 90, 70
    columns, rows = some_seeds(rng, count, height, width), some_seeds(rng, count, width, height)
    found = np.sqrt(squared_distance((height, width), columns, rows, reach_px) / scale_for(reach_px))
    y, x = np.mgrid[:height, :width]
    seed_x, seed_y = np.r_[columns.line, rows.at_px], np.r_[columns.at_px, rows.line]
    true = np.sqrt(((x[..., None] - seed_x) ** 2 + (y[..., None] - seed_y) ** 2).min(-1))
    near = (true < reach_px) & (true > 1.0)
    assert np.abs(found - true)[near].max() < 0.03
    assert abs((found - true)[near].mean()) < 0.002, "rounding averages out"
    assert (found[true > reach_px + 0.1] > reach_px).all()


def test_seeds_on_pixels_agree_with_scipy() -> None:
    rng = np.random.default_rng(0)
    is_seed = rng.random((80, 80)) < 0.01
    row, col = np.nonzero(is_seed)
    seeds = Seeds(col, row.astype(float), np.zeros(len(row)), np.ones(len(row), np.bool_))
    nothing = Seeds(*(values[:0] for values in (seeds.line, seeds.at_px, seeds.slope, seeds.enters)))
    found = np.sqrt(squared_distance((80, 80), seeds, nothing, 20.0) / scale_for(20.0))
    true = distance_transform_edt(~is_seed)
    assert found[true < 20] == pytest.approx(true[true < 20], abs=0.02)


def test_the_largest_tile_does_not_overflow() -> None:
    seeds = Seeds(np.array([3]), np.array([MAX_SIDE_PX - 1.5]), np.zeros(1), np.ones(1, np.bool_))
    nothing = Seeds(*(values[:0] for values in (seeds.line, seeds.at_px, seeds.slope, seeds.enters)))
    found = squared_distance((MAX_SIDE_PX, 8), seeds, nothing, 73.0)
    assert found[MAX_SIDE_PX - 3, 3] == pytest.approx(1.5**2 * scale_for(73.0), abs=1)
    assert (found[: MAX_SIDE_PX - 80] > 73.0**2 * scale_for(73.0)).all()


def test_each_grid_line_is_crossed_once() -> None:
    chain = Chain(np.array([1.0, 4.5, 4.5, 1.0]), np.array([2.0, 2.7, 6.0, 5.5]), np.array([1, 2, 3, 0]))
    columns, rows = column_and_row_seeds(chain)
    assert sorted(columns.line.tolist()) == [2, 2, 3, 3, 4, 4]
    assert sorted(rows.line.tolist()) == [3, 3, 4, 4, 5, 5, 6]
    assert columns.at_px[columns.line == 2] == pytest.approx([2.0 + 0.2, 5.5 + 0.5 / 3.5])
    assert columns.enters.tolist() == [True] * 3 + [False] * 3, "open is to the right of travel"
