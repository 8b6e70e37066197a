"""Two solvers that share nothing: the rehearsal's volumes beside the planner's cosine filters.

With one constant resistance at the surface both solve the same equations.
"""

from __future__ import annotations

import numpy as np
import pytest

from controller.artwork.distribution.currents import current_ratios
from controller.physics.bath_field import BathField
from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.levels import Floats
from hardware.rehearsal.field.solver import Bath, true_ratios

CELL_MM = 0.25


def pattern() -> Floats:
    """Return a field, a lone line and a comb, 24 by 16 mm."""
    share = np.zeros((64, 96))
    share[8:56, 8:40] = 1.0
    share[8:56, 50:52] = 1.0
    share[8:40, 60:88:4] = 1.0
    return share


@pytest.mark.parametrize(("evenness", "allowed"), [(0.1, 0.003), (0.3, 0.005), (0.6, 0.012)])
def test_planners_map_agrees(evenness: float, allowed: float) -> None:
    """The largest difference over the open metal, as a share of the local value."""
    share = pattern()
    bath = BathField(gap_mm=40.0, margin_mm=30.0)
    planned = current_ratios(share, CELL_MM, bath, evenness)
    constant = Kinetics(evenness, exchange=1e4, mass_transfer=0.0)
    found = true_ratios(share, CELL_MM, Bath(40.0, 30.0), constant)
    is_open = share > 0.0
    assert np.abs(found / np.where(is_open, planned, 1.0) - 1.0)[is_open].max() < allowed


def test_other_law_differs() -> None:
    """The rehearsal's own law is not the planner's: at evenness 0.9 they differ by over 5 %."""
    share = pattern()
    constant = Kinetics(0.9, exchange=1e4, mass_transfer=0.0)
    simple = true_ratios(share, CELL_MM, Bath(), constant)
    found = true_ratios(share, CELL_MM, Bath(), Kinetics(0.9))
    assert np.abs(found - simple).max() > 0.05
