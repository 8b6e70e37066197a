"""Pixels counted by squared distance, against weighted counts in plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from controller.artwork.distances.distance import scale_for
from controller.artwork.measuring.tally import Tally

REACH_PX = 20.0


@pytest.mark.parametrize("ends_y", [(1.0, 1.0), (0.3, 1.0), (1.0, 0.6), (0.25, 0.5)])
@pytest.mark.parametrize("ends_x", [(1.0, 1.0), (0.7, 0.1)])
@pytest.mark.parametrize("shape", [(30, 40), (2, 3), (1, 30), (30, 1), (1, 1)])
def test_pixels_count_by_their_share_of_the_plate(
    ends_y: tuple[float, float], ends_x: tuple[float, float], shape: tuple[int, int]
) -> None:
    rng = np.random.default_rng(3)
    squares = rng.integers(0, 65536, shape).astype(np.uint16)
    is_open = rng.random(shape) < 0.4
    weights = []
    for count, ends in zip(shape, (ends_y, ends_x), strict=True):
        weight = np.ones(count)
        weight[0], weight[-1] = ends
        weights.append(weight)
    tally = Tally(REACH_PX)
    tally.add_squares(squares, is_open, *weights)
    weight = np.outer(*weights)
    limit = REACH_PX**2 * scale_for(REACH_PX)
    kept = np.where(is_open, 0, np.where(squares <= limit, squares, 65535))
    assert tally.histogram == pytest.approx(
        np.bincount(kept.ravel(), weight.ravel(), minlength=65536)
    )
    assert tally.histogram.sum() == pytest.approx(weight.sum())
