"""What the campaign allows: changes of state, charge that may be missing, the deepest depth."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.messages import RunState
from controller.planning.run_plan import RunPlan
from controller.safety.run import ActiveRun
from controller.sensors import INA219
from hardware.rehearsal.front import SteinerFront
from tests.proofs.campaign.draw import BELIEVED_SIGMA

S = RunState

MOVES = {
    (S.IDLE, S.CHECKING),
    (S.IDLE, S.TRIPPED),
    (S.IDLE, S.INTERRUPTED),
    (S.CHECKING, S.RUNNING),
    (S.CHECKING, S.STOPPED),
    (S.CHECKING, S.TRIPPED),
    (S.CHECKING, S.INTERRUPTED),
    (S.RUNNING, S.CHECKING),
    (S.RUNNING, S.PAUSED),
    (S.RUNNING, S.FINISHED),
    (S.RUNNING, S.STOPPED),
    (S.RUNNING, S.TRIPPED),
    (S.RUNNING, S.INTERRUPTED),
    (S.PAUSED, S.CHECKING),
    (S.PAUSED, S.STOPPED),
    (S.PAUSED, S.TRIPPED),
    (S.FINISHED, S.CHECKING),
    (S.FINISHED, S.IDLE),
    (S.FINISHED, S.TRIPPED),
    (S.STOPPED, S.CHECKING),
    (S.STOPPED, S.IDLE),
    (S.STOPPED, S.TRIPPED),
    (S.TRIPPED, S.PAUSED),
    (S.TRIPPED, S.STOPPED),
    (S.TRIPPED, S.IDLE),
    (S.TRIPPED, S.TRIPPED),
    (S.INTERRUPTED, S.CHECKING),
    (S.INTERRUPTED, S.STOPPED),
    (S.INTERRUPTED, S.TRIPPED),
}
"""Every allowed change of state: the table of states in controller/README.md, and the trips."""

EXEMPT_FROM_DEPTH = {
    "relay_welded": "nothing in the controller's reach ends the current",
    "one_piece_off": "the other pieces take all the current: deeper by the share that is gone",
}

EXEMPT_FROM_CHARGE = {
    "relay_welded": "nobody counts before the start, or while the process or the sensor is gone",
}
"""Faults for which no bound of the charge is promised, and why.

Nor is it promised for more than the over-current limit while the sensor cannot see, and for more
than the largest current that a supply can drive by the plan: the model's knob turns to 30 V.
"""


CREST_S = 0.158 * 3.0 * max(INA219.averaged_s)
"""Times the range in A, the charge that crests of the ripple may hide, C: 0.5 C at 16 A.

The chip clips crests before its reading comes near the end of the range. Where the worst ripple,
48 %, reads 85 % of the range, 15.8 % of the range are missing: the mean of m (1 + 0.48 sin)
clipped at 1 is 0.85 for m = 1.008. Three conversions pass before a guard acts.
"""


@dataclass
class Tally:
    """What the watch adds up for one plate.

    :param doubt_coulombs: how far the trapezoid may be off: half of each change between two samples
        over its time.
    :param most_a: largest current that flowed; the samples show no more than the sensor's range of
        it.
    :param clipped_coulombs: charge that the chip's single readings clipped off, as the model knows
        it.
    """

    doubt_coulombs: float = 0.0
    stretches: int = 0
    counted_s: float = 0.0
    most_a: float = 0.0
    most_target_coulombs: float = 0.0
    uncertain_from_cut_coulombs: float = 0.0
    clipped_coulombs: float = 0.0


def deepest_mm(run: ActiveRun, charge_coulombs: float) -> float:
    """Return the depth after a charge with the bite factor at its upper 99.9 % and the etch factor
    at either end of the belief.

    Calculated with the model's front, not with the controller's tables.
    """
    plan: RunPlan = run.plan
    belief = run.first_learner.belief()
    highest = max(c.mean_ln + BELIEVED_SIGMA * c.sd_ln for c in belief.components)
    volume_mm3 = max(0.0, charge_coulombs) * plan.metal.mm3_per_coulomb * math.exp(highest)
    request = plan.request
    copies = request.pieces * request.sides
    depths = []
    for factor in (belief.components[0].etch_factor, belief.components[-1].etch_factor):
        front = SteinerFront(plan.total_area_mm2, request.edge_mm * copies, factor)
        for _ in range(60):
            front.remove(volume_mm3 / 60.0)
        depths.append(front.depth_mm)
    return 1.005 * max(depths)
