"""One pair of run-to-run spread and drift, with the belief that holds if that pair is true. Pure.

The state is a vector of logarithms and offsets: BATH, RUN, AREA and POOL, then one offset in mm
for each person and gauge. It is normal for each node. All nodes of a strand share the covariance:
the geometry shifts what a reading shows, and hardly changes how sure it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import mul
from typing import NamedTuple

from controller.physics.learning.sight import Cell, Shown, Sight

BATH, RUN, AREA, POOL = range(4)
"""ln(bite factor) of the bath; the run's own deviation; ln error of the open area; mean of all
baths of the metal, with the error of the shunt."""
FIXED = 4
"""Entries of the state before the offsets."""

Vector = tuple[float, ...]
Matrix = tuple[Vector, ...]


class Node(NamedTuple):
    """A possible geometry.

    :param evenness: None as long as no reading has named a place: then nothing depends on it.
    :param mean: of the state.
    """

    etch_factor: float
    evenness: float | None
    weight: float
    mean: Vector


@dataclass(frozen=True, slots=True)
class Strand:
    """Belief for one pair of spread and drift.

    :param run_sd: standard deviation of a run's own deviation.
    :param drift_sd: standard deviation of the bath's change from one run to the next.
    :param own_sd: standard deviation of a bath from the mean of all baths.
    :param nodes: the weights of all strands together sum to 1.
    """

    run_sd: float
    drift_sd: float
    own_sd: float
    nodes: tuple[Node, ...]
    covariance: Matrix

    @property
    def weight(self) -> float:
        """Sum of the nodes' weights."""
        return sum(node.weight for node in self.nodes)

    def learn(self, sight: Sight, values: Mapping[Cell, Shown]) -> Strand:
        """Return the strand after a reading; its weights are not normalised.

        Each shape of the reading is a normal. Their mixture is replaced by the normal with the
        same mean and, over all nodes, the same variance.

        :param values: what the reading shows in each cell, and the slope of that.
        """
        across = tuple(dot(row, sight.direction) for row in self.covariance)
        variance = dot(across, sight.direction)
        (good, _, precision), *wrong = (
            (
                shape.share / math.sqrt(variance + shape.variance),
                shape.shift,
                1.0 / (variance + shape.variance),
            )
            for shape in sight.shapes
        )
        in_full = 1.0 / sight.shapes[0].share
        nodes = []
        total = shrinking = 0.0
        direction, exp = sight.direction, math.exp
        for etch_factor, evenness, before, old in self.nodes:
            value, slope = values[etch_factor, evenness]
            off = value - sum(map(mul, direction, old))
            good_pull = off * precision
            likely = good * exp(-0.5 * off * good_pull)
            rest = pull = narrowing = 0.0
            for share, shift, sharp in wrong:
                beyond = off - shift
                drawn = beyond * sharp
                likelihood = share * exp(-0.5 * beyond * drawn)
                rest += likelihood
                pull += likelihood * drawn
                narrowing += likelihood * (sharp - drawn * drawn)
            density = likely + rest
            weight = before * density * slope
            if density > 0.0:
                # A reading that looks no worse than usual counts in full.
                trust = likely / density * in_full
                if trust < 1.0 and rest > 0.0:
                    doubt = (1.0 - trust) / rest
                    pull = trust * good_pull + doubt * pull
                    narrowing = (
                        trust * (precision - good_pull * good_pull) + doubt * narrowing
                    ) + pull * pull
                else:
                    pull, narrowing = good_pull, precision
                total += weight
                shrinking += weight * narrowing
            mean = tuple([m + a * pull for m, a in zip(old, across, strict=True)])
            nodes.append(Node(etch_factor, evenness, weight, mean))
        # A mixture can be wider than before. Then nothing is known better: it stays as it was.
        factor = min(max(shrinking / total, 0.0), 1.0 / variance) if total > 0.0 else 0.0
        covariance = tuple(
            tuple([c - factor * a * b for c, b in zip(row, across, strict=True)])
            for row, a in zip(self.covariance, across, strict=True)
        )
        return replace(self, nodes=tuple(nodes), covariance=covariance)

    def next_run(self, area_sd: float) -> Strand:
        """Return the strand before the next run: the bath drifts, run and area start again."""
        rows = [list(row) for row in self.covariance]
        rows[BATH][BATH] += self.drift_sd**2
        for index, sd in ((RUN, self.run_sd), (AREA, area_sd)):
            _forget(rows, index, sd**2)
        return replace(
            self,
            nodes=tuple(
                Node(factor, evenness, weight, (mean[BATH], 0.0, 0.0, *mean[POOL:]))
                for factor, evenness, weight, mean in self.nodes
            ),
            covariance=_frozen(rows),
        )

    def fresh_acid(self) -> Strand:
        """Return the strand with a new bath, of which only the mean of all baths is known."""
        rows = [list(row) for row in self.covariance]
        for j in range(len(rows)):
            rows[BATH][j] = rows[j][BATH] = rows[POOL][j]
        rows[BATH][BATH] = rows[POOL][POOL] + self.own_sd**2
        return replace(
            self,
            nodes=tuple(
                node._replace(mean=(node.mean[POOL], *node.mean[RUN:])) for node in self.nodes
            ),
            covariance=_frozen(rows),
        )

    def with_offset(self, sd_mm: float) -> Strand:
        """Return the strand with one more offset of mean 0."""
        rows = [[*row, 0.0] for row in self.covariance]
        rows.append([0.0] * len(rows) + [sd_mm**2])
        return replace(
            self,
            nodes=tuple(node._replace(mean=(*node.mean, 0.0)) for node in self.nodes),
            covariance=_frozen(rows),
        )

    def with_evenness(self, prior: Sequence[tuple[float, float]]) -> Strand:
        """Return the strand with every node split over the evenness."""
        return replace(
            self,
            nodes=tuple(
                split
                for node in self.nodes
                for split in (
                    [node]
                    if node.evenness is not None
                    else [
                        node._replace(evenness=evenness, weight=share * node.weight)
                        for evenness, share in prior
                    ]
                )
            ),
        )


def dot(a: Sequence[float], b: Sequence[float]) -> float:
    """Return the scalar product."""
    return math.fsum(map(mul, a, b))


def quadratic(vector: Vector, matrix: Matrix) -> float:
    """Return the variance of a sum with these coefficients."""
    return dot(vector, [dot(row, vector) for row in matrix])


def _forget(rows: list[list[float]], index: int, variance: float) -> None:
    for j in range(len(rows)):
        rows[index][j] = rows[j][index] = 0.0
    rows[index][index] = variance


def _frozen(rows: Sequence[Sequence[float]]) -> Matrix:
    return tuple(tuple(row) for row in rows)
