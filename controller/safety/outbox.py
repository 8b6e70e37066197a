"""What happened, as the supervisor leaves it for logbook and page: frozen, in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.messages import Finding, RunState, Sample, Snapshot
from controller.physics.estimate import DepthEstimate
from controller.planning.run_plan import RunPlan
from controller.texts import Message


@dataclass(frozen=True, slots=True)
class RunTotals:
    """How far a run has come.

    :param uncertain_coulombs: between 0 and this much more may have flowed uncounted.
    """

    on_time_s: float
    charge_coulombs: float
    uncertain_coulombs: float
    depth: DepthEstimate


@dataclass(frozen=True, slots=True)
class Began:
    """A run was started."""

    at_s: float
    run_id: str
    plan: RunPlan


@dataclass(frozen=True, slots=True)
class Changed:
    """The state changed.

    :param finding: why the run tripped or paused, until acknowledged, or None.
    :param message: what happened and what to do, or None.
    :param totals: how far the run has come, or None without a run.
    """

    at_s: float
    run_id: str | None
    was: RunState
    state: RunState
    finding: Finding | None
    message: Message | None
    totals: RunTotals | None


@dataclass(frozen=True, slots=True)
class Counted:
    """A sample of a run was counted, its zero offset taken out.

    :param bath_degc: bath temperature, or None without a thermometer.
    """

    run_id: str
    sample: Sample
    totals: RunTotals
    bath_degc: float | None


@dataclass(frozen=True, slots=True)
class Seen:
    """A sample of a run was not counted.

    It was a quick second look, or came after the current had reached zero.
    """

    run_id: str
    sample: Sample


@dataclass(frozen=True, slots=True)
class Noted:
    """Something worth a line in the event list."""

    at_s: float
    run_id: str | None
    message: Message


News = Began | Changed | Counted | Seen | Noted


class Follower(Protocol):
    """Gets the newest snapshot after each pass: panel, logbook, watchdog."""

    def follow(self, snapshot: Snapshot, news: Sequence[News]) -> None:
        """Take the newest snapshot and what happened since the last one. Must return at once."""
