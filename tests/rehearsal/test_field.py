"""The true current distribution against exact cases of Laplace's equation.

Sources: primary current on a disc, 0.5 / sqrt(1 - (r/a)^2) of the mean, and the mean potential of
a disc with uniform current, 8 a / (3 pi) times j / kappa: Newman, J. Electrochem. Soc. 113 (1966)
501 and 1235. Primary current on a strip, (2/pi) / sqrt(1 - (x/a)^2): conformal map of the half
plane, as for a charged strip (textbooks, from memory). Potential of a uniformly charged disc, with
the elliptic integral: textbooks, from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ellipe

from controller.errors import RefusedError
from hardware.rehearsal.field import solver
from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.levels import Floats
from hardware.rehearsal.field.multigrid import Multigrid
from hardware.rehearsal.field.solver import Bath, UnsettledError, true_ratios

RADIUS_MM = 10.0
FAR = Bath(gap_mm=100.0, margin_mm=100.0)


def disc_share(cell_mm: float, finer: int = 8) -> Floats:
    """Return the open shares of a disc on a square grid, an odd number of cells each way."""
    count = 2 * round(1.1 * RADIUS_MM / cell_mm) + 1
    place = ((np.arange(count * finer) + 0.5) / finer - count / 2.0) * cell_mm
    inside = np.hypot(place, place[:, None]) < RADIUS_MM
    shares: Floats = inside.reshape(count, finer, count, finer).mean((1, 3))
    return shares


@pytest.mark.parametrize(("cell_mm", "allowed"), [(1.0, 0.12), (0.5, 0.06), (0.25, 0.035)])
def test_primary_current_on_disc(cell_mm: float, allowed: float) -> None:
    """Half of the mean at the centre. The error halves with the cells: the edge is singular."""
    share = disc_share(cell_mm)
    found = true_ratios(share, cell_mm, FAR, Kinetics(1.0))
    middle = len(share) // 2
    assert found[middle, middle] == pytest.approx(0.5, rel=allowed)
    for radius_mm in (2.0, 5.0, 8.0):
        exact = 0.5 / math.sqrt(1.0 - (radius_mm / RADIUS_MM) ** 2)
        place = middle + round(radius_mm / cell_mm)
        assert found[middle, place] == pytest.approx(exact, rel=allowed)
        assert found[place, middle] == pytest.approx(found[middle, place], rel=1e-3)


@pytest.mark.parametrize(("cell_mm", "allowed"), [(0.5, 0.075), (0.25, 0.035), (0.125, 0.018)])
def test_primary_current_on_strip(cell_mm: float, allowed: float) -> None:
    """2/pi of the mean in the middle; walls across the strip make it endless."""
    half_mm, walls_mm = 5.0, 60.0
    place = (np.arange(round(2 * walls_mm / cell_mm)) + 0.5) * cell_mm - walls_mm
    share = np.tile((np.abs(place) < half_mm).astype(np.float64), (4, 1))
    found = true_ratios(share, cell_mm, Bath(80.0, 0.0), Kinetics(1.0))
    assert np.allclose(found, found[0], rtol=1e-3)
    for x_mm in (0.1, 2.1, 3.6):
        at = int(np.argmin(np.abs(place - x_mm)))
        exact = 2.0 / math.pi / math.sqrt(1.0 - (place[at] / half_mm) ** 2)
        assert found[0, at] == pytest.approx(exact, rel=allowed)


@pytest.mark.parametrize("evenness", [0.01, 0.03])
def test_nearly_uniform_disc(evenness: float) -> None:
    """While the surface resists far more than the bath, the current lacks the bath's potential over
    R sigma = 10 mm (1 - e) / e. The potential of a disc with uniform current is 2 a E(r/a) / pi,
    with the complete elliptic integral.
    """
    share, cell_mm = disc_share(0.5), 0.5
    found = true_ratios(share, cell_mm, FAR, Kinetics(evenness))
    wagner_mm = 10.0 * (1.0 - evenness) / evenness
    mean = 8.0 / (3.0 * math.pi)
    middle = len(share) // 2
    for radius_mm in (0.0, 3.0, 9.0):
        potential = 2.0 / math.pi * ellipe((radius_mm / RADIUS_MM) ** 2)
        lack = 1.0 - found[middle, middle + round(radius_mm / cell_mm)]
        assert lack == pytest.approx((potential - mean) * RADIUS_MM / wagner_mm, rel=0.07)


def test_open_plate_is_uniform() -> None:
    """A bare plate between walls has the same current everywhere, for any evenness."""
    for evenness in (0.1, 0.5, 1.0):
        found = true_ratios(np.ones((9, 13)), 1.0, Bath(40.0, 0.0), Kinetics(evenness))
        assert np.allclose(found, 1.0, atol=2e-4)


def test_evenness_zero_is_uniform() -> None:
    share = disc_share(1.0)
    found = true_ratios(share, 1.0, FAR, Kinetics(0.0))
    assert np.array_equal(found, (share > 0.0).astype(np.float64))


@pytest.mark.parametrize("evenness", [0.05, 0.3, 0.8, 1.0])
def test_mean_over_open_metal(evenness: float) -> None:
    """The mean over the open metal is 1, and resist has no current."""
    share = disc_share(0.5)
    found = true_ratios(share, 0.5, Bath(), Kinetics(evenness))
    assert (found * share).sum() / share.sum() == pytest.approx(1.0, rel=1e-9)
    assert found[share == 0.0].max() == 0.0
    assert found.min() >= 0.0


def test_current_is_conserved() -> None:
    """What enters at the plate leaves at the minus plate: no cell keeps a current."""
    widths = np.array([0.5, 0.7, 1.0, 1.5, 2.0]), np.full(13, 0.8), np.full(10, 0.8)
    grids = Multigrid(*widths)
    surface = np.zeros((13, 10))
    surface[3:7, 2:5] = 0.5
    grids.set_surface(surface)
    source = np.zeros((5, 13, 10))
    source[0] = surface
    for _ in range(15):
        grids.cycle(source)
    assert np.abs(grids.finest.residual(source)).max() < 1e-7
    entering = (surface * (1.0 - grids.finest.potential[0])).sum()
    leaving = (grids.finest.potential[-1] * 0.64 / 1.0).sum()
    assert leaving == pytest.approx(entering, rel=1e-6)


def test_further_settling_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer is settled: a hundred times stricter, it is the same."""
    share = disc_share(0.5)
    found = true_ratios(share, 0.5, Bath(), Kinetics(0.6))
    monkeypatch.setattr(solver, "_SETTLED", 5e-6)
    strict = true_ratios(share, 0.5, Bath(), Kinetics(0.6))
    assert np.abs(found - strict).max() < 0.002


def test_unsettled_field_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solver, "_MOST_CYCLES", 1)
    with pytest.raises(UnsettledError, match="did not settle in 1"):
        true_ratios(disc_share(1.0), 1.0, FAR, Kinetics(1.0))


@pytest.mark.parametrize("evenness", [-0.1, 1.1, math.nan])
def test_wrong_evenness_refused(evenness: float) -> None:
    with pytest.raises(RefusedError) as caught:
        Kinetics(evenness)
    assert caught.value.field == "evenness"


def test_polarisation_has_its_slope() -> None:
    """The derivative is that of the value, and R at the mean current density."""
    law = Kinetics(0.25)
    current = np.array([0.01, 0.2, 1.0, 2.0, 2.4, 4.0])
    step = 1e-5
    rise = (law.polarisation(current + step)[0] - law.polarisation(current - step)[0]) / (2 * step)
    assert rise == pytest.approx(law.polarisation(current)[1], rel=1e-5)
    assert law.polarisation(np.array([1.0]))[1] == pytest.approx(30.0, rel=1e-9)
    assert law.polarisation(np.array([0.0]))[0] == pytest.approx(0.0, abs=1e-12)


def test_kinetics_shape_the_edge() -> None:
    """At one evenness, slow mass transfer holds the edge back more than charge transfer does."""
    share = disc_share(0.5)
    transfer, moving = (
        true_ratios(share, 0.5, Bath(), Kinetics(0.6, mass_transfer=part)).max()
        for part in (0.0, 1.0)
    )
    assert transfer > 1.05 * moving
