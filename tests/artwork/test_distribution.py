"""The current distribution against exact solutions of Laplace's equation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import ellipj, ellipk

from controller.artwork.distribution.currents import current_ratios, joined
from controller.artwork.distribution.solver import CurrentSolver
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.physics.places import EVENNESS_GRID

Floats = npt.NDArray[np.float64]

FAR = BathField(gap_mm=40.0, margin_mm=40.0)
"""Minus plate and walls far from a disc of 3 mm: they change its resistance by 2 %."""


def disc(pixels: int, pixel_mm: float, radius_mm: float) -> Floats:
    """Return the open share of the pixels around a disc in the middle."""
    fine = (np.arange(8 * pixels) + 0.5) / 8 * pixel_mm - pixels * pixel_mm / 2
    inside = fine[:, None] ** 2 + fine[None, :] ** 2 <= radius_mm**2
    return joined(inside.astype(np.float64), 8)


def strip_ratio(x_mm: Floats, half_mm: float, cell_mm: float, gap_mm: float) -> Floats:
    """Return the primary current over its mean on a strip at one end of a cell, exactly.

    The strip lies from 0 to ``half_mm`` on the floor of a cell of width ``cell_mm``; the minus
    plate is the whole lid. Two Schwarz-Christoffel maps, by elliptic functions: rectangle to half
    plane, half plane to the rectangle between both electrodes.
    """
    low, high = 0.0, 1.0  # the parameter at which K'/K is gap over width
    for _ in range(200):
        m = (low + high) / 2
        low, high = (m, high) if ellipk(1 - m) / ellipk(m) > gap_mm / cell_mm else (low, m)
    scale = ellipk(m) / cell_mm
    edge = ellipj(scale * half_mm, m)[0]
    sn, cn = ellipj(scale * x_mm, m)[:2]
    ratio: Floats = half_mm * scale * cn / (ellipk(m * edge**2) * np.sqrt(edge**2 - sn**2))
    return ratio


def test_disc_in_a_plane() -> None:
    """Primary current on a disc: 0.5 / sqrt(1 - (r/a)^2) of its mean. Newman, J. Electrochem. Soc.
    113 (1966) 501.
    """
    pixels, pixel_mm, radius_mm = 64, 0.1, 3.0
    found = current_ratios(disc(pixels, pixel_mm, radius_mm), pixel_mm, FAR, 1.0)
    r = (np.arange(32) + 0.5) * pixel_mm
    row = (found[32, 32:] + found[31, 32:]) / 2
    for at in (0, 5, 10, 15, 20, 25):
        exact = 0.5 / np.sqrt(1 - (r[at] ** 2 + 0.05**2) / radius_mm**2)
        assert row[at] == pytest.approx(exact, rel=0.02)


def test_disc_resistance() -> None:
    """A disc in an insulating plane has 1 / (4 sigma a) to far away. Newman (1966).

    In the box, the slab beyond adds H / (sigma A) and the disc's own hemisphere takes about
    1 / (2 pi sigma H) away: 2 % here, so 3 % are allowed.
    """
    open_share = disc(64, 0.1, 3.0)
    bath_mm = CurrentSolver(open_share, 0.1, FAR).solve(1.0).bath_mm
    assert bath_mm / (open_share.sum() * 0.01) == pytest.approx(1 / (4 * 3.0), rel=0.03)


@pytest.mark.parametrize(
    ("half_mm", "cell_mm", "gap_mm"), [(2.0, 5.0, 3.0), (1.0, 40.0, 40.0), (4.5, 5.0, 2.0)]
)
def test_strip_opposite_a_plate(half_mm: float, cell_mm: float, gap_mm: float) -> None:
    """Primary current on a strip between walls, opposite a plate: by conformal mapping."""
    pixel_mm = 0.05
    width = round(cell_mm / pixel_mm)
    x_mm = (np.arange(width) + 0.5) * pixel_mm
    open_share = np.repeat((x_mm < half_mm)[None, :].astype(np.float64), 4, axis=0)
    field = BathField(gap_mm=gap_mm, margin_mm=0.0)
    found = current_ratios(open_share, pixel_mm, field, 1.0)[2]
    inner = x_mm < half_mm - 4 * pixel_mm
    exact = strip_ratio(x_mm[inner], half_mm, cell_mm, gap_mm)
    assert found[inner] == pytest.approx(exact, rel=0.015)


def test_strip_in_a_plane() -> None:
    """A strip in a wide plane, far from the other electrode: 2 / pi of the mean in its middle."""
    exact = strip_ratio(np.array([0.0]), 0.1, 100.0, 100.0)
    assert exact[0] == pytest.approx(2 / np.pi, rel=1e-3)


def test_fully_open_plate() -> None:
    """A plate that fills the bath has H / (sigma A), and the same current everywhere."""
    solver = CurrentSolver(np.ones((40, 60)), 0.5, BathField(gap_mm=50.0, margin_mm=0.0))
    for evenness in EVENNESS_GRID:
        found = solver.solve(evenness)
        assert found.bath_mm == pytest.approx(50.0, rel=1e-6)
        assert found.ratios == pytest.approx(1.0, abs=1e-6)


def test_uniform_limit() -> None:
    """Evenness 0 gives one current everywhere; near 0 it is nearly one."""
    open_share = disc(64, 0.1, 3.0)
    is_open = open_share > 0
    assert np.array_equal(current_ratios(open_share, 0.1, FAR, 0.0), is_open.astype(np.float64))
    nearly = current_ratios(open_share, 0.1, FAR, 1e-4)[open_share > 0.5]
    assert nearly == pytest.approx(1.0, abs=1e-3)


def test_finer_grids_converge() -> None:
    """Half the pixel brings the middle of a disc about half as far from the exact 0.5."""
    off = []
    for pixels in (16, 32, 64):
        found = current_ratios(disc(pixels, 6.4 / pixels, 3.0), 6.4 / pixels, FAR, 1.0)
        middle = found[pixels // 2 - 1 : pixels // 2 + 1, pixels // 2 - 1 : pixels // 2 + 1]
        off.append(abs(float(middle.mean()) - 0.5))
    assert off[2] < 0.6 * off[1] < 0.4 * off[0]


def lettering(seed: int) -> Floats:
    """Return strokes of many widths, with grey rims."""
    random = np.random.default_rng(seed)
    fine = np.zeros((4 * 60, 4 * 80))
    for _ in range(30):
        top, left = random.integers(0, 220), random.integers(0, 300)
        height, width = random.integers(2, 60, 2)
        fine[top : top + height, left : left + width] = 1.0
    return joined(fine, 4)


def test_current_is_kept() -> None:
    """The mean over the open metal is 1, and no part takes current out of the bath."""
    open_share = lettering(1)
    for evenness in (0.1, 0.5, 1.0):
        found = current_ratios(open_share, 0.25, BathField(), evenness)
        assert (found * open_share).sum() == pytest.approx(open_share.sum(), rel=1e-9)
        assert np.all(found[open_share > 0.05] > 0.0)
        assert not found[open_share == 0.0].any()


def test_mirror_and_turn() -> None:
    """A plate that is mirrored or turned has a mirrored or turned distribution."""
    open_share = lettering(2)
    found = current_ratios(open_share, 0.25, BathField(), 0.8)
    mirrored = current_ratios(open_share[:, ::-1], 0.25, BathField(), 0.8)[:, ::-1]
    turned = current_ratios(open_share.T, 0.25, BathField(), 0.8).T
    # A share of 2 % in 1,000 is allowed: the solver stops at a residual.
    assert np.abs(found - mirrored).max() < 0.01
    assert np.abs(found - turned).max() < 0.01


def test_warm_starts_agree() -> None:
    """A solution from a mix of earlier ones is the one from nothing."""
    open_share = lettering(3)
    solver = CurrentSolver(open_share, 0.25, BathField())
    warm = [solver.solve(evenness) for evenness in (1.0, 0.1, 0.5, 0.3)]
    cold = CurrentSolver(open_share, 0.25, BathField()).solve(0.3)
    assert warm[-1].steps < cold.steps
    assert np.abs(warm[-1].ratios - cold.ratios).max() < 2e-3
    assert warm[-1].bath_mm == pytest.approx(cold.bath_mm, rel=1e-4)


def test_large_sheets_are_joined() -> None:
    """A sheet with too many pixels is solved on a coarser one and keeps shape and mean."""
    open_share = np.zeros((1500, 1200))
    open_share[100:900, 101:701] = 1.0
    found = current_ratios(open_share, 0.1, BathField(margin_mm=20.0), 0.5)
    assert found.shape == open_share.shape
    assert (found * open_share).sum() == pytest.approx(open_share.sum(), rel=1e-9)
    assert not found[open_share == 0.0].any()
    assert found[100, 101] > found[500, 400] > 0.5


def test_nothing_open_is_refused() -> None:
    """A plate without open metal has no distribution."""
    with pytest.raises(RefusedError):
        current_ratios(np.zeros((10, 10)), 0.1, BathField(), 0.5)
