"""The current distribution against finite volumes in three dimensions."""

from __future__ import annotations

import numpy as np
import pytest

from controller.artwork.distribution.solver import CurrentSolver
from controller.physics.bath_field import BathField, wagner_length_mm
from tests.kits.artwork.laplace import floor_currents

GAP_MM, SIDE_MM, FINE = 8.0, 24.0, 3
"""A bath of 24 mm; the finite volumes have three cells along each pixel of 0.75 mm."""


def pattern() -> np.ndarray:
    """A field, a lone line, a comb of lines and a dot, with 4 mm of bath around them."""
    open_share = np.zeros((32, 32))
    open_share[7:17, 7:17] = 1.0
    open_share[7:25, 20:21] = 1.0
    for row in (19, 21, 23):
        open_share[row, 7:17] = 1.0
    open_share[22:25, 23:26] = 1.0
    return open_share


@pytest.mark.parametrize(
    ("evenness", "minus_plate_mm", "within"),
    [(0.9, None, 0.03), (0.5, (12.0, 9.0), 0.03), (1.0, (12.0, 9.0), 0.06)],
)
def test_finite_volumes_agree(
    evenness: float, minus_plate_mm: tuple[float, float] | None, within: float
) -> None:
    """Lines, fields and the bath's resistance agree with the independent solver.

    Without a surface resistance the current is infinite at every edge, and each grid cuts that off
    in its own way: 6 % there.
    """
    open_share = pattern()
    fine = np.kron(open_share, np.ones((FINE, FINE))) > 0
    side = len(fine)
    is_minus = np.ones((side, side), np.bool_)
    if minus_plate_mm is not None:
        wide, high = (round(length / SIDE_MM * side / 2) for length in minus_plate_mm)
        is_minus[:] = False
        is_minus[side // 2 - high : side // 2 + high, side // 2 - wide : side // 2 + wide] = True
    wagner_mm = wagner_length_mm(evenness)
    flow = floor_currents(fine, SIDE_MM / side, GAP_MM, wagner_mm, is_minus)
    expected = flow.reshape(32, FINE, 32, FINE).mean((1, 3))
    ratios = expected / expected[open_share > 0].mean()

    bath = BathField(gap_mm=GAP_MM, margin_mm=0.0, minus_plate_mm=minus_plate_mm)
    solver = CurrentSolver(open_share, SIDE_MM / 32, bath)
    found = solver.solve(evenness)

    places = {
        "middle of the field": np.s_[10:14, 10:14],
        "rim of the field": np.s_[7:17, 7],
        "lone line": np.s_[10:22, 20],
        "outer line of the comb": np.s_[23, 9:15],
        "middle line of the comb": np.s_[21, 9:15],
        "dot": np.s_[22:25, 23:26],
    }
    for name, place in places.items():
        assert found.ratios[place].mean() == pytest.approx(ratios[place].mean(), rel=within), name
    # 1 V over everything, less the surface, is the bath's; the area is in pixels.
    area_mm2 = open_share.sum() * (SIDE_MM / 32) ** 2
    total = expected.sum() * (SIDE_MM / 32) ** 2
    heat = wagner_mm * (flow**2).sum() * (SIDE_MM / side) ** 2
    bath_mm = (total - heat) / total**2 * area_mm2
    assert found.bath_mm == pytest.approx(bath_mm, rel=within)
