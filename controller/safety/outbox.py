"""What the supervisor reports to logbook and page: frozen items, in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from controller.figures import Figures
from controller.messages import EventKind, Finding, RunState, Sample, Snapshot, Source
from controller.planning.run_plan import RunPlan
from controller.safety.checkpoint import RunCheckpoint
from controller.texts import Message


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
    totals: Figures | None


@dataclass(frozen=True, slots=True)
class Counted:
    """A sample of a run was counted. It is without its zero offset.

    :param bath_degc: bath temperature, or None without a thermometer.
    :param checkpoint: the run with this sample counted.
    """

    run_id: str
    sample: Sample
    totals: Figures
    bath_degc: float | None
    checkpoint: RunCheckpoint


@dataclass(frozen=True, slots=True)
class Seen:
    """A sample of a run was not counted.

    It was a quick second look, or came after the current had reached zero.
    """

    run_id: str
    sample: Sample


@dataclass(frozen=True, slots=True)
class Noted:
    """A line for the event list, without a change of state.

    :param kind: command, check, warning or note.
    :param on_time_s: time with the relay on so far in this run; 0 without a run.
    :param data: figures, units in the keys, or None.
    :param source: who gave the command, or None.
    """

    at_s: float
    run_id: str | None
    kind: EventKind
    message: Message
    on_time_s: float = 0.0
    data: Mapping[str, Any] | None = None
    source: Source | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """The present state of the run, for the logbook. The last item of a pass."""

    run_id: str
    checkpoint: RunCheckpoint


OutboxItem = Began | Changed | Counted | Seen | Noted | Kept


class Follower(Protocol):
    """Gets the newest snapshot after each pass: panel, logbook, watchdog."""

    def follow(self, snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Take the newest snapshot and what happened since the last one. Must return at once."""
