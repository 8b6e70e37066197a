"""The prior of the evenness, against what shops see."""

from __future__ import annotations

import numpy as np
import pytest

from controller.physics.estimate import Belief, Component, prior_belief
from controller.physics.evenness import evenness_prior, with_evenness
from controller.physics.faraday import metal_named
from controller.physics.places import EVENNESS_GRID
from tests.proofs.place_coverage.worlds import edge_excess

SHOP_LOW, SHOP_HIGH = 0.03, 0.40
"""Edges 3 to 40 % deeper than the middle: shop figures, no published source."""


def test_prior_weights() -> None:
    nodes = evenness_prior()
    assert tuple(evenness for evenness, _ in nodes) == EVENNESS_GRID
    assert sum(weight for _, weight in nodes) == pytest.approx(1.0, abs=1e-12)
    assert all(weight > 0.0 for _, weight in nodes), "readings can find any evenness"


def test_prior_covers_shop_figures() -> None:
    """Nine of ten plates with a 20 mm floor lie in the range, and the rest on both sides."""
    excess = np.array([edge_excess(evenness) for evenness in EVENNESS_GRID])
    weights = np.array([weight for _, weight in evenness_prior()])
    inside = weights[(excess >= 0.8 * SHOP_LOW) & (excess <= SHOP_HIGH)].sum()
    below = weights[excess < 0.8 * SHOP_LOW].sum()
    assert 0.85 < inside < 0.95
    assert 0.02 < below < 0.08
    assert 0.02 < 1.0 - inside - below < 0.10
    middle = float(np.exp((weights * np.log(np.maximum(excess, 1e-3)))[1:].sum()))
    assert 0.07 < middle < 0.16, "the middle of the range by ratio is 11 %"


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
