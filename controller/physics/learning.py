"""Learning from gauge and scale: Bayes over bite factor, area error and etch factor. Pure.

For each etch factor e the update has a closed form. Three unknowns are normal and independent
beforehand: the bath's ln(bite factor), the shunt's error included; the run's own deviation; and
the ln error of the open area. A depth reading measures their sum, less the area,

    ln V_e(d) - ln(k Q) = bath + run - area + noise.

A weighing measures bath + run only, because mass does not depend on area and undercut. So a
weighing informs the chemistry, depth over mass informs area and geometry, and the weight of each
etch factor follows from how well it predicted the readings. The next run in the bath inherits the
bath's part and the weights.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

from controller.errors import RefusedError
from controller.physics.estimate import Belief, Component, prior_belief
from controller.physics.faraday import Metal, removed_mass_g
from controller.physics.readings import Reading, Weighing
from controller.physics.relief import Growth, removed_volume_mm3
from controller.units import positive

ASK_BEYOND_SIGMA = 3.0
"""A reading farther off than this needs a person's confirmation."""

Triple = tuple[float, float, float]
Matrix = tuple[Triple, Triple, Triple]

_SLOPE_STEP = 1e-3
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Node:
    """Belief for one etch factor: mean and covariance of (bath, run, area), as logarithms."""

    etch_factor: float
    weight: float
    mean: Triple
    covariance: Matrix

    def component(self) -> Component:
        """Return the effective bite factor for depth: bath + run - area."""
        return Component(
            self.etch_factor,
            self.weight,
            _dot(_DEPTH, self.mean),
            math.sqrt(_quadratic(_DEPTH, self.covariance)),
        )


_DEPTH = (1.0, 1.0, -1.0)
_MASS = (1.0, 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Learner:
    """Belief about one run in one bath.

    :param nodes: one per etch factor.
    """

    metal: Metal
    nodes: tuple[Node, ...]

    def belief(self) -> Belief:
        """Return the belief from which the depth table is made."""
        return Belief(tuple(node.component() for node in self.nodes))

    def bite_factor(self) -> tuple[float, float]:
        """Return the best estimate of the bite factor (bath + run) and the sd of its logarithm."""
        means = [
            (node.weight, _dot(_MASS, node.mean), _quadratic(_MASS, node.covariance))
            for node in self.nodes
        ]
        mean = sum(weight * value for weight, value, _ in means)
        variance = sum(weight * (spread + (value - mean) ** 2) for weight, value, spread in means)
        return math.exp(mean), math.sqrt(variance)

    def learn(self, reading: Reading, growth: Growth) -> Learner:
        """Return the belief after a reading."""
        nodes = []
        for node in self.nodes:
            seen, noise_sd, slope, direction = _seen(reading, node.etch_factor, growth, self.metal)
            expected, variance = (
                _dot(direction, node.mean),
                _quadratic(direction, node.covariance) + noise_sd**2,
            )
            likelihood = (
                slope * math.exp(-0.5 * (seen - expected) ** 2 / variance) / math.sqrt(variance)
            )
            across = _times(node.covariance, direction)
            mean = triple(
                m + a / variance * (seen - expected) for m, a in zip(node.mean, across, strict=True)
            )
            rows = [
                triple(c - row_across / variance * a for c, a in zip(row, across, strict=True))
                for row, row_across in zip(node.covariance, across, strict=True)
            ]
            nodes.append(
                Node(node.etch_factor, node.weight * likelihood, mean, (rows[0], rows[1], rows[2]))
            )
        total = sum(node.weight for node in nodes)
        if not total > 0.0:
            raise RefusedError("physics.gauge.impossible")
        return replace(
            self, nodes=tuple(replace(node, weight=node.weight / total) for node in nodes)
        )

    def surprise_sigma(self, reading: Reading, growth: Growth) -> float:
        """Return how many standard deviations more metal is gone than predicted (less: < 0)."""
        below = 0.0
        for node in self.nodes:
            seen, noise_sd, _, direction = _seen(reading, node.etch_factor, growth, self.metal)
            sd = math.sqrt(_quadratic(direction, node.covariance) + noise_sd**2)
            below += (
                node.weight
                * 0.5
                * math.erfc((_dot(direction, node.mean) - seen) / (sd * math.sqrt(2.0)))
            )
        return _NORMAL.inv_cdf(min(max(below, 1e-12), 1.0 - 1e-12))

    def next_run(self, area_sd: float) -> Learner:
        """Return the belief for the next run in the bath: run and area start from their priors."""
        nodes = tuple(
            replace(
                node,
                mean=(node.mean[0], 0.0, 0.0),
                covariance=(
                    (node.covariance[0][0], 0.0, 0.0),
                    (0.0, self.metal.run_sd**2, 0.0),
                    (0.0, 0.0, area_sd**2),
                ),
            )
            for node in self.nodes
        )
        return replace(self, nodes=nodes)


def new_learner(metal: Metal, area_sd: float, shunt_sd: float) -> Learner:
    """Return the belief in a bath without readings. Source of the priors: faraday.Metal."""
    bath_variance = metal.bath_sd**2 + shunt_sd**2
    covariance = ((bath_variance, 0.0, 0.0), (0.0, metal.run_sd**2, 0.0), (0.0, 0.0, area_sd**2))
    prior = prior_belief(metal, area_sd, shunt_sd)
    return Learner(
        metal,
        tuple(Node(c.etch_factor, c.weight, (0.0, 0.0, 0.0), covariance) for c in prior.components),
    )


@dataclass(frozen=True, slots=True)
class PastRun:
    """A past run in the bath: its growth, the uncertainty of its area, its valid readings."""

    growth: Growth
    area_sd: float
    readings: tuple[Reading, ...]


def learn_from_bath(
    metal: Metal, runs: Sequence[PastRun], area_sd: float, shunt_sd: float
) -> Learner:
    """Return the belief about the next run, from all runs of a bath, oldest first.

    It is computed from all readings each time, so a corrected or withdrawn reading leaves no trace.
    """
    learner = new_learner(metal, area_sd, shunt_sd)
    for run in runs:
        learner = learner.next_run(run.area_sd)
        for reading in run.readings:
            learner = learner.learn(reading, run.growth)
    return learner.next_run(area_sd)


def _seen(
    reading: Reading, etch_factor: float, growth: Growth, metal: Metal
) -> tuple[float, float, float, Triple]:
    """Return the reading as a sum of logarithms, its noise, the sum's slope and its direction.

    The slope is the derivative of the sum by the reading. The direction selects which of bath,
    run and area enter the sum.
    """
    charge = positive(reading.charge_coulombs, "charge_coulombs", "C")
    if isinstance(reading, Weighing):
        lost_g = positive(reading.lost_g, "lost_g", "g")
        slope = 1.0 / lost_g
        return (
            math.log(lost_g / removed_mass_g(charge, metal)),
            reading.standard_error_g() * slope,
            slope,
            _MASS,
        )
    depth_mm, error_mm = reading.mean_depth()
    volume = removed_volume_mm3(depth_mm, growth, etch_factor)
    deeper = removed_volume_mm3(depth_mm * (1.0 + _SLOPE_STEP), growth, etch_factor)
    slope = math.log(deeper / volume) / (depth_mm * _SLOPE_STEP)
    return math.log(volume / (metal.mm3_per_coulomb * charge)), error_mm * slope, slope, _DEPTH


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum(x * y for x, y in zip(a, b, strict=True))


def _times(matrix: Matrix, vector: Triple) -> Triple:
    return triple(_dot(row, vector) for row in matrix)


def _quadratic(vector: Triple, matrix: Matrix) -> float:
    return _dot(vector, _times(matrix, vector))


def triple(values: Iterable[float]) -> Triple:
    """Return three values as a triple. Raises: ValueError when they are not three."""
    first, second, third = values
    return first, second, third
