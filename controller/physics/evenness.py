"""What is known about the evenness of a bath before any reading. Pure.

Shops see edges that are 3 to 40 % deeper than the middle (common practice, no source): far from
uniform, and far from ohmic.
"""

from __future__ import annotations

_PRIOR = ((0.02, 0.15), (0.07, 0.25), (0.18, 0.25), (0.35, 0.2), (0.65, 0.15))


def evenness_prior() -> tuple[tuple[float, float], ...]:
    """Return pairs (evenness, weight), ascending; the weights sum to 1."""
    return _PRIOR


def likely_evenness() -> float:
    """Return the mean of the prior."""
    return sum(evenness * weight for evenness, weight in evenness_prior())
