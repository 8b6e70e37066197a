"""A belief as JSON values: a run is restored without the history of its bath. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from controller.physics.faraday import Metal
from controller.physics.learning.learner import Learner
from controller.physics.learning.merging import compacted
from controller.physics.learning.strand import FIXED, Node, Strand

_OLD_ENTRIES = 3
"""Entries of the state in a belief of version 0.12 or older: bath, run and area."""


def learner_to_json(learner: Learner) -> dict[str, Any]:
    """Return a belief as JSON values. Spread and drift are merged."""
    small = compacted(learner)
    (strand,) = small.strands
    return {
        "offsets": list(small.offsets),
        "run_sd": strand.run_sd,
        "drift_sd": strand.drift_sd,
        "own_sd": strand.own_sd,
        "covariance": [list(row) for row in strand.covariance],
        "nodes": [
            {
                "etch_factor": node.etch_factor,
                "evenness": node.evenness,
                "weight": node.weight,
                "mean": list(node.mean),
            }
            for node in strand.nodes
        ],
    }


def learner_from_json(
    values: Mapping[str, Any] | Sequence[Mapping[str, Any]], metal: Metal
) -> Learner:
    """Return a stored belief, also of an older version.

    Raises: KeyError, TypeError or ValueError for other values.
    """
    if not isinstance(values, Mapping):
        return _from_old(values, metal)
    offsets = tuple(str(name) for name in values["offsets"])
    entries = FIXED + len(offsets)
    nodes = tuple(
        Node(
            float(node["etch_factor"]),
            None if node["evenness"] is None else float(node["evenness"]),
            float(node["weight"]),
            _vector(node["mean"], entries),
        )
        for node in values["nodes"]
    )
    rows = values["covariance"]
    strand = Strand(
        float(values["run_sd"]),
        float(values["drift_sd"]),
        float(values["own_sd"]),
        nodes,
        tuple(_vector(row, entries) for row in _exactly(rows, entries)),
    )
    return Learner(metal, (strand,), offsets)


def _from_old(values: Sequence[Mapping[str, Any]], metal: Metal) -> Learner:
    """Return a belief of version 0.12 or older: a covariance for each etch factor, no drift."""
    if not values:
        raise ValueError("a belief needs nodes")
    covariance = [[0.0] * FIXED for _ in range(FIXED)]
    nodes = []
    for value in values:
        weight = float(value["weight"])
        mean = _vector(value["mean"], _OLD_ENTRIES)
        nodes.append(Node(float(value["etch_factor"]), None, weight, (*mean, 0.0)))
        for i, row in enumerate(_exactly(value["covariance"], _OLD_ENTRIES)):
            for j, entry in enumerate(_vector(row, _OLD_ENTRIES)):
                covariance[i][j] += weight * entry
    frozen = tuple(tuple(row) for row in covariance)
    return Learner(metal, (Strand(metal.run_sd, 0.0, metal.bath_sd, tuple(nodes), frozen),))


def _vector(values: Sequence[float], entries: int) -> tuple[float, ...]:
    return tuple(float(value) for value in _exactly(values, entries))


def _exactly(values: Sequence[Any], entries: int) -> Sequence[Any]:
    if len(values) != entries:
        raise ValueError(f"{len(values)} values instead of {entries}")
    return values
