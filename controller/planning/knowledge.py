"""What earlier runs have shown when a run is planned. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.physics.attack import AttackRate
from controller.physics.learning import Learner


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What earlier runs in the bath have shown. Without any, the priors apply.

    :param learner: belief from the bath's earlier readings, or None.
    :param runs_in_bath: runs that the bath has seen.
    :param densest_tried_a_per_dm2: densest finished run with this metal, or None.
    :param attack: rate of the acid's own attack, or None for the metal's prior.
    :param taught_s_mm2_per_coulomb: pace of the readings behind ``learner``: time in the acid times
        open area over charge; 0 without readings.
    """

    learner: Learner | None = None
    runs_in_bath: int = 0
    densest_tried_a_per_dm2: float | None = None
    attack: AttackRate | None = None
    taught_s_mm2_per_coulomb: float = 0.0
