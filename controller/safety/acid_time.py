"""How long the acid has bitten in a run, and how its readings are learned. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

from controller.physics.attack import Soak
from controller.physics.charge import CoulombCounter
from controller.physics.learning import Learner
from controller.physics.readings import Reading, noted_pace
from controller.planning.attacked import mean_current_a
from controller.planning.run_plan import RunPlan


class RunInAcid(Protocol):
    """The books of a run, as far as the acid's bite needs them."""

    @property
    def plan(self) -> RunPlan:
        """What was planned."""

    @property
    def counter(self) -> CoulombCounter:
        """The charge."""

    @property
    def soak(self) -> Soak:
        """The time in the bath without current."""

    @property
    def on_time_s(self) -> float:
        """Time with current of the finished stretches, s."""

    @property
    def first_learner(self) -> Learner:
        """The belief at the start of the run."""

    def total_on_time_s(self, now_s: float) -> float:
        """Return the time with current, s."""


def acid_s(run: RunInAcid, now_s: float) -> float:
    """Return the time in which the acid has added to the depth, s.

    The time without current counts only when a coupon has shown the rate.
    """
    off_s = run.soak.seconds(now_s) if run.plan.acid_bite.counts_off_time else 0.0
    return run.total_on_time_s(now_s) + off_s


def total_coulombs(run: RunInAcid, now_s: float) -> float:
    """Return the counted charge and the acid's equivalent charge together, C."""
    return run.counter.charge_coulombs + run.plan.acid_bite.coulombs(acid_s(run, now_s))


def acid_pace(run: RunInAcid, readings: Sequence[Reading]) -> float | None:
    """Return the time in the acid per coulomb counted, s/C, with the relay off.

    :param readings: the run's valid readings, oldest first; without any, the pace is None. What was
        noted with the last one counts: later it may have stayed in the acid without current.
    """
    if not readings:
        return None
    noted = noted_pace(readings[-1])
    if noted is not None:
        return noted
    if run.counter.charge_coulombs <= 0.0:
        return 1.0 / mean_current_a(run.plan)
    off_s = run.soak.total_s if run.plan.acid_bite.counts_off_time else 0.0
    return (run.on_time_s + off_s) / run.counter.charge_coulombs


def noted(run: RunInAcid, reading: Reading) -> Reading:
    """Return a reading with the time in the acid until now, with the relay off."""
    pace = acid_pace(run, (reading,)) or 0.0
    return replace(reading, acid_s=pace * reading.charge_coulombs)


def with_acid(run: RunInAcid, reading: Reading) -> Reading:
    """Return a reading with the acid's bite until then added to its charge."""
    return run.plan.acid_bite.with_acid(reading, acid_pace(run, (reading,)) or 0.0)


def learner_of(run: RunInAcid, readings: Sequence[Reading]) -> Learner:
    """Return the belief at the start of the run, with these readings learned.

    Raises: RefusedError for readings that are impossible under that belief.
    """
    learner = run.first_learner
    for reading in readings:
        learner = learner.learn(with_acid(run, reading), run.plan.growth)
    return learner
