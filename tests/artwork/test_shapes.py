"""The rasteriser of the tests against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import box

from tests.kits.artwork.shapes import bar, coverage, disc


def test_coverage_of_shifted_box() -> None:
    """Coverage of a box off the grid is the product of its overlaps."""
    share = coverage(box(1.25, 2.5, 3.5, 4.0), 6, 6, 1.0)
    assert share == pytest.approx(
        np.outer([0, 0, 0.5, 1, 0, 0], [0, 0.75, 1, 0.5, 0, 0]), abs=1e-12
    )


@pytest.mark.parametrize("turn_rad", [0.0, 0.1, math.pi / 4, 1.3])
def test_coverage_sums_to_area(turn_rad: float) -> None:
    """Coverage sums to the polygon's area."""
    shape = bar(3.0, 1.0, 5.03, 4.97, turn_rad)
    assert coverage(shape, 240, 240, 25.4 / 600).sum() * (25.4 / 600) ** 2 == pytest.approx(
        3.0, rel=1e-9
    )


def test_coverage_of_diagonal_edge() -> None:
    """Coverage of a diagonal edge is half a pixel."""
    share = coverage(bar(4.0, 4.0, 5.0, 5.0, math.pi / 4), 10, 10, 1.0)
    assert share[5, 5] == pytest.approx(1.0)
    assert share.sum() == pytest.approx(16.0)


def test_discs_are_fine_enough_polygons() -> None:
    assert disc(0.5).area == pytest.approx(math.pi * 0.25, rel=2e-5)
