"""A belief before any reading, of one kind of bath, for tests of tables and estimates."""

from __future__ import annotations

import math

from controller.physics.estimate import Belief, Component, standard_steps
from controller.physics.faraday import Metal

_ETCH_FACTORS = 15


def prior_belief(metal: Metal, area_sd: float, shunt_sd: float) -> Belief:
    """Return the belief before any gauge reading.

    :param area_sd: standard deviation of ln(open area).
    :param shunt_sd: standard deviation of ln(shunt resistance).
    Source of the metal's figures: common practice, no source (faraday.py).
    """
    sd_ln = math.sqrt(metal.bath_sd**2 + metal.run_sd**2 + area_sd**2 + shunt_sd**2)
    factors = [
        metal.etch_factor * math.exp(metal.etch_factor_sd * step)
        for step in standard_steps(_ETCH_FACTORS)
    ]
    return Belief(tuple(Component(factor, 1.0 / _ETCH_FACTORS, 0.0, sd_ln) for factor in factors))
