"""The few values of evenness between which readings decide. Pure."""

from __future__ import annotations

from functools import lru_cache

from controller.physics.evenness import evenness_prior

NODES = 5
"""Few, because each multiplies the work and the size of a plan's belief."""


@lru_cache(maxsize=1)
def evenness_nodes() -> tuple[tuple[float, float], ...]:
    """Return pairs (evenness, weight), ascending: the prior in groups of about equal weight.

    A group stands at its mean. The weights sum to 1.
    """
    groups: list[list[tuple[float, float]]] = [[]]
    reached = 0.0
    for evenness, weight in evenness_prior():
        if groups[-1] and reached + 0.5 * weight > len(groups) / NODES:
            groups.append([])
        groups[-1].append((evenness, weight))
        reached += weight
    nodes = []
    for group in groups:
        total = sum(weight for _, weight in group)
        nodes.append((sum(evenness * weight for evenness, weight in group) / total, total))
    return tuple(nodes)
