"""What is believed before any reading: grids over etch factor, spread and drift. Pure."""

from __future__ import annotations

import math

from controller.physics.estimate import standard_steps
from controller.physics.faraday import Metal
from controller.physics.learning.learner import Learner
from controller.physics.learning.strand import Node, Strand

ETCH_FACTORS = 9
SPREADS = ((0.5, 0.14), (1.0, 0.34), (1.5, 0.26), (2.1, 0.16), (3.0, 0.1))
"""Run-to-run spread as a multiple of the metal's ``run_sd``, and its weight."""
DRIFTS = ((0.1, 0.4), (0.4, 0.4), (0.9, 0.2))
"""Drift per run as a multiple of the metal's ``run_sd``, and its weight. Common practice, no
source."""
POOL_SHARE = 0.25
"""Share of the variance from bath to bath that all baths of a metal in one studio have in common.
Common practice, no source."""


def new_learner(metal: Metal, area_sd: float, shunt_sd: float) -> Learner:
    """Return the belief in a bath without readings. Source of the priors: faraday.Metal.

    :param area_sd: standard deviation of ln(open area).
    :param shunt_sd: standard deviation of ln(shunt resistance).
    """
    factors = [
        metal.etch_factor * math.exp(metal.etch_factor_sd * step)
        for step in standard_steps(ETCH_FACTORS)
    ]
    pool = POOL_SHARE * metal.bath_sd**2 + shunt_sd**2
    own = (1.0 - POOL_SHARE) * metal.bath_sd**2
    strands = []
    for spread, spread_weight in SPREADS:
        run_sd = spread * metal.run_sd
        covariance = (
            (pool + own, 0.0, 0.0, pool),
            (0.0, run_sd**2, 0.0, 0.0),
            (0.0, 0.0, area_sd**2, 0.0),
            (pool, 0.0, 0.0, pool),
        )
        for drift, drift_weight in DRIFTS:
            weight = spread_weight * drift_weight / ETCH_FACTORS
            nodes = tuple(Node(factor, None, weight, (0.0,) * 4) for factor in factors)
            strands.append(Strand(run_sd, drift * metal.run_sd, math.sqrt(own), nodes, covariance))
    return Learner(metal, tuple(strands))
