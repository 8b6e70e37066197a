"""What is believed about the evenness before any reading, and how a belief carries it. Pure.

Shops see the edge of a floor 3 to 40 % deeper than its middle (shop figures, no published source).
On a floor of 20 mm in a bath with a gap of 60 mm, 1 mm from its edge, the secondary current
distribution gives 3 % at an evenness of 0.11 and 40 % at 0.70. These are the 5 % and 95 % points
of a normal distribution of ln(evenness / (1 - evenness)). A wider floor gives the same figures at
a smaller evenness and a narrower one at a larger, so the spread is a little wider than that. The
uniform and the ohmic plate are possible too, each with the smallest weight. The study of worlds
with other laws is in tests/proofs/place_coverage.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from statistics import NormalDist

from controller.physics.estimate import Belief
from controller.physics.places import EVENNESS_GRID

PRIOR_MIDDLE = 0.35
"""Median evenness: the edge of a 20 mm floor is 11 % deeper than its middle."""

PRIOR_SPREAD = 1.0
"""Standard deviation of ln(evenness / (1 - evenness)). From 3 to 40 % alone it would be 0.9."""

LEAST_WEIGHT = 0.01
"""Weight that the uniform and the ohmic plate have at least, so that readings can find them."""


def evenness_prior() -> tuple[tuple[float, float], ...]:
    """Return pairs (evenness, weight), one for each value of EVENNESS_GRID. Weights sum to 1."""
    normal = NormalDist(_logit(PRIOR_MIDDLE), PRIOR_SPREAD)
    ends = [0.5 * (a + b) for a, b in pairwise(EVENNESS_GRID)]
    reached = [0.0, *(normal.cdf(_logit(end)) for end in ends), 1.0]
    weights = [max(b - a, 0.0) for a, b in pairwise(reached)]
    weights[0], weights[-1] = (max(weights[i], LEAST_WEIGHT) for i in (0, -1))
    total = sum(weights)
    return tuple((e, w / total) for e, w in zip(EVENNESS_GRID, weights, strict=True))


def likely_evenness() -> float:
    """Return the mean of the prior."""
    return sum(evenness * weight for evenness, weight in evenness_prior())


def with_evenness(belief: Belief) -> Belief:
    """Return the belief with an evenness in each component.

    A belief that has learned about the evenness is returned as it is. Any other one is combined
    with the prior, as if evenness and the rest were independent.
    """
    if any(component.evenness > 0.0 for component in belief.components):
        return belief
    return Belief(
        tuple(
            replace(component, weight=component.weight * weight, evenness=evenness)
            for component in belief.components
            for evenness, weight in evenness_prior()
        )
    )


def _logit(evenness: float) -> float:
    return math.log(evenness / (1.0 - evenness))
