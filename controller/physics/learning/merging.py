"""A belief made smaller for one run, or weaker for another bath. Pure."""

from __future__ import annotations

import math
from dataclasses import replace

from controller.physics.learning.evenness_nodes import evenness_nodes
from controller.physics.learning.learner import Learner
from controller.physics.learning.sight import Cell
from controller.physics.learning.strand import Matrix, Node, Strand, Vector


def compacted(learner: Learner) -> Learner:
    """Return the belief with one strand: what one run needs, small enough to be stored.

    Spread and drift are merged into the normal with the same mean and variance.
    """
    if len(learner.strands) == 1:
        return learner
    cells: dict[Cell, list[tuple[float, Vector, Matrix]]] = {}
    for strand in learner.strands:
        for node in strand.nodes:
            part = (node.weight, node.mean, strand.covariance)
            cells.setdefault((node.etch_factor, node.evenness), []).append(part)
    entries = range(len(learner.strands[0].covariance))
    covariance = [[0.0 for _ in entries] for _ in entries]
    nodes = []
    for (etch_factor, evenness), parts in cells.items():
        weight = sum(share for share, _, _ in parts)
        mean = tuple(sum(w * m[i] for w, m, _ in parts) / weight for i in entries)
        nodes.append(Node(etch_factor, evenness, weight, mean))
        for w, m, c in parts:
            for i in entries:
                for j in entries:
                    covariance[i][j] += w * (c[i][j] + (m[i] - mean[i]) * (m[j] - mean[j]))
    run_sd, drift_sd, own_sd = (
        math.sqrt(sum(strand.weight * getattr(strand, name) ** 2 for strand in learner.strands))
        for name in ("run_sd", "drift_sd", "own_sd")
    )
    frozen = tuple(tuple(row) for row in covariance)
    return replace(learner, strands=(Strand(run_sd, drift_sd, own_sd, tuple(nodes), frozen),))


def for_other_bath(learner: Learner, prior: Learner) -> Learner:
    """Return what a belief about one bath says about another bath of the metal.

    The bite factor starts again from the mean of all baths. Baths are alike in their geometry,
    but not the same: the square root of its likelihood counts. The spread is a person's own.

    :param prior: belief in a bath without readings.
    """
    first: dict[float, float] = {}
    for strand in prior.strands:
        for node in strand.nodes:
            first[node.etch_factor] = first.get(node.etch_factor, 0.0) + node.weight
    shares = dict(evenness_nodes())
    strands = []
    for strand in learner.fresh_acid().strands:
        nodes = [
            node._replace(
                weight=math.sqrt(
                    node.weight
                    * first[node.etch_factor]
                    * (1.0 if node.evenness is None else shares[node.evenness])
                )
            )
            for node in strand.nodes
        ]
        scale = strand.weight / sum(node.weight for node in nodes)
        softened = tuple(node._replace(weight=node.weight * scale) for node in nodes)
        strands.append(replace(strand, nodes=softened))
    return replace(learner, strands=tuple(strands))
