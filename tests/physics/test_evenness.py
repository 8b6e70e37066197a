"""The prior of the evenness, against what shops see."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from controller.physics.estimate import Belief, Component
from controller.physics.evenness import evenness_prior, with_evenness
from controller.physics.faraday import metal_named
from controller.physics.places import EVENNESS_GRID
from tests.kits.beliefs import prior_belief
from tests.proofs.place_coverage.worlds import edge_excess

SHOP_LOW, SHOP_HIGH = 0.03, 0.40
"""Edges 3 to 40 % deeper than the middle: shop figures, no published source."""


def test_prior_weights() -> None:
    nodes = evenness_prior()
    assert tuple(evenness for evenness, _ in nodes) == EVENNESS_GRID
    assert sum(weight for _, weight in nodes) == pytest.approx(1.0, abs=1e-12)
    assert all(weight > 0.0 for _, weight in nodes), "readings can find any evenness"


def test_prior_covers_shop_figures() -> None:
    """Three of four plates with a 20 mm floor lie in the range, the others on both sides."""
    grid = np.linspace(0.02, 0.98, 25)
    excess = np.array([edge_excess(float(evenness)) for evenness in grid])
    low, middle, high = np.interp((SHOP_LOW, 0.12, SHOP_HIGH), excess, grid)
    ends = [0.5 * (a + b) for a, b in pairwise(EVENNESS_GRID)]
    reached = np.cumsum([weight for _, weight in evenness_prior()])[:-1]
    below, median, within = np.interp((low, middle, high), ends, reached)
    assert 0.03 < below < 0.13
    assert 0.02 < 1.0 - within < 0.15
    assert 0.4 < median < 0.6, "the middle of the range by ratio is 11 %"


def test_belief_gets_evenness() -> None:
    """A belief without evenness is combined with the prior; the rest of it stays as it was."""
    belief = prior_belief(metal_named("fine-silver"), 0.01, 0.01)
    even = with_evenness(belief)
    assert len(even.components) == len(belief.components) * len(EVENNESS_GRID)
    assert even.best_etch_factor == pytest.approx(belief.best_etch_factor, rel=1e-12)
    assert sum(c.weight for c in even.components) == pytest.approx(1.0, abs=1e-12)


def test_learned_evenness_stays() -> None:
    learned = Belief((Component(1.2, 1.0, 0.0, 0.1, 0.35),))
    assert with_evenness(learned) is learned
