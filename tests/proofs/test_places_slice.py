"""The study of coverage per place, on one world that is as the plan believes, and one that is not.

The whole study runs by hand: ``python -m tests.proofs.places_coverage``.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.solver import Bath
from tests.proofs.places_coverage import Piece, Tally, World, artworks, piece, true_depths_mm


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Piece:
    return piece(tmp_path_factory.mktemp("study") / "a.png", artworks()["field"])


def believed(at: Piece, evenness: float) -> World:
    belief = at.plan.belief
    law = Kinetics(evenness, exchange=1e4, mass_transfer=0.0)
    return World(law, Bath(60.0, 30.0), 0.0, belief.best_etch_factor, belief.best_bite_factor)


def test_plan_meets_other_solver(field: Piece) -> None:
    """In the world that the plan believes, each place has the plan's depth within 3 %.

    Planner and rehearsal share no formula: distribution, width of lines and undercut are each
    computed twice.
    """
    truth = true_depths_mm(field, believed(field, 0.35))
    for it in field.plan.places:
        # The median of a belief over evenness is off where the ratio bends.
        allowed = 0.06 if it.place.name in ("deepest-twentieth", "lines-under-0.3-mm") else 0.03
        planned_mm = it.at(field.plan.charge_coulombs).best_mm
        assert truth[it.place.name] == pytest.approx(planned_mm, rel=allowed), it.place.name
    tally = Tally()
    tally.count(field, truth)
    assert all(tally.covered(name) == 1.0 for name in tally.all)


def test_wrong_world_counts_as_missed(field: Piece) -> None:
    """A bath that bites far less leaves every place below its interval."""
    world = replace(believed(field, 0.35), bite_factor=0.4)
    tally = Tally()
    tally.count(field, true_depths_mm(field, world))
    assert tally.all
    assert all(tally.covered(name) == 0.0 for name in tally.all)
    assert tally.below == tally.all


def test_attack_deepens_all_alike(field: Piece) -> None:
    """1 um/min for the planned time is added to every place."""
    calm = true_depths_mm(field, believed(field, 0.35))
    acid = true_depths_mm(field, replace(believed(field, 0.35), attack_um_per_min=1.0))
    more_mm = field.plan.duration_s / 60_000.0
    assert more_mm > 0.005
    for name, depth_mm in calm.items():
        assert acid[name] - depth_mm == pytest.approx(more_mm, rel=1e-6)
