"""Pixels counted by squared distance, against weighted counts in plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from controller.artwork.distances.distance import scale_for
from controller.artwork.distances.gaps import Gaps
from controller.artwork.measuring.tally import PER_PX, Tally

REACH_PX = 20.0


@pytest.mark.parametrize("ends_y", [(1.0, 1.0), (0.3, 1.0), (1.0, 0.6), (0.25, 0.5)])
@pytest.mark.parametrize("ends_x", [(1.0, 1.0), (0.7, 0.1)])
@pytest.mark.parametrize("shape", [(30, 40), (2, 3), (1, 30), (30, 1), (1, 1)])
def test_pixels_weighted_by_plate_share(
    ends_y: tuple[float, float], ends_x: tuple[float, float], shape: tuple[int, int]
) -> None:
    """Pixels count by their share of the plate."""
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
    counted = np.bincount(kept.ravel(), weight.ravel(), minlength=65536)
    np.testing.assert_allclose(tally.histogram, counted, rtol=1e-6, atol=1e-12)
    assert tally.histogram.sum() == pytest.approx(weight.sum())


def gap(
    x_px: float,
    y_px: float,
    width_px: float,
    length_px: float,
    *,
    along_y: bool,
    lean_rad: float = 0.0,
) -> Gaps:
    values = (x_px, y_px, width_px, length_px, True, along_y, width_px, lean_rad)
    return Gaps(*(np.array([value]) for value in values))  # type: ignore[arg-type]


@pytest.mark.parametrize("along_y", [True, False])
def test_line_counts_half_its_width(along_y: bool) -> None:
    """4 px wide, its middle 0.3 px past a pixel, 1.25 px of length for this sample."""
    tally = Tally(REACH_PX)
    middle = {"x_px": 7.75, "y_px": 10.3} if along_y else {"x_px": 10.3, "y_px": 7.75}
    tally.add_gaps(gap(**middle, width_px=4.0, length_px=1.25, along_y=along_y))
    assert np.flatnonzero(tally.half_widths).tolist() == [2 * PER_PX]
    assert tally.half_widths[2 * PER_PX] == 1.25
    # Across the line the pixel lies 0.3/1.25 = 0.24 px away, in the fourth eighth of half a pixel;
    # the next one 0.56.
    assert np.argwhere(tally.middles).tolist() == [[2 * PER_PX, 3]]


def test_leaning_edges_no_strip() -> None:
    """Edges that lean are no strip."""
    tally = Tally(REACH_PX)
    tally.add_gaps(gap(7.0, 7.0, 4.0, 1.0, along_y=True, lean_rad=np.radians(31.0)))
    assert not tally.half_widths.any()
    assert not tally.middles.any()


def test_lines_beyond_the_reach() -> None:
    """Lines wider than the reach count as the widest."""
    tally = Tally(REACH_PX)
    tally.add_gaps(gap(7.0, 7.0, 500.0, 1.0, along_y=True))
    assert tally.half_widths[-1] == 1.0
