"""The belief about a bath's next run, from all readings of its past and of its neighbours. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.physics.faraday import Metal
from controller.physics.learning.learner import Learner
from controller.physics.learning.merging import for_other_bath
from controller.physics.learning.priors import new_learner
from controller.physics.readings import Reading
from controller.physics.relief import Growth


@dataclass(frozen=True, slots=True)
class PastRun:
    """A past run in the bath: its growth, the uncertainty of its area, its valid readings.

    :param is_fresh: the bath got fresh acid before this run.
    """

    growth: Growth
    area_sd: float
    readings: tuple[Reading, ...]
    is_fresh: bool = False


def learn_past(learner: Learner, runs: Sequence[PastRun]) -> Learner:
    """Return the belief after these runs, oldest first; the last run is not closed."""
    for run in runs:
        if run.is_fresh:
            learner = learner.fresh_acid()
        learner = learner.next_run(run.area_sd)
        for reading in run.readings:
            learner = learner.learn(reading, run.growth)
    return learner


def learn_from_bath(
    metal: Metal,
    runs: Sequence[PastRun],
    area_sd: float,
    shunt_sd: float,
    others: Sequence[Sequence[PastRun]] = (),
    *,
    is_fresh: bool = False,
) -> Learner:
    """Return the belief about the next run, from all runs of a bath, oldest first.

    It is computed from all readings each time, so a corrected or withdrawn reading leaves no trace.

    :param others: the runs of each other bath of the metal.
    :param is_fresh: the bath got fresh acid after its last run.
    """
    first = new_learner(metal, area_sd, shunt_sd)
    learner = first
    for other in others:
        if any(run.readings for run in other):
            learner = for_other_bath(learn_past(learner, other), first)
    learner = learn_past(learner, runs)
    if is_fresh:
        learner = learner.fresh_acid()
    return learner.next_run(area_sd)
