"""One line in the system's journal for each start, pause, trip, resume and finish.

A follower of the loop: it runs after the pass, so nothing is logged between a bad sample and off.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

from controller.messages import EventKind, RunState, Snapshot
from controller.safety.outbox import Changed, Noted, OutboxItem
from controller.texts import Message, Value

AGAIN_AFTER_S = 600.0
"""The same line is written at most once in this time, s: a fault that goes on stays readable."""

MOST_REMEMBERED = 200
"""Most lines remembered, so that ever new ones take no memory."""

LEVELS = {
    RunState.RUNNING: logging.INFO,
    RunState.PAUSED: logging.INFO,
    RunState.FINISHED: logging.INFO,
    RunState.STOPPED: logging.INFO,
    RunState.INTERRUPTED: logging.WARNING,
    RunState.TRIPPED: logging.WARNING,
}
"""The states that get a line, and its level. A check is part of the start that follows it."""

_log = logging.getLogger("biteclock")


class Notices:
    """Writes the lines."""

    def __init__(self) -> None:
        self._is_clock_set = True

    def follow(self, snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Write a line for each change of state, new warning and Stop, and for the clock."""
        for item in outbox:
            if isinstance(item, Changed) and item.state in LEVELS:
                _log.log(LEVELS[item.state], "%s", _of_change(item))
            elif isinstance(item, Noted) and item.kind is EventKind.WARNING:
                _log.warning("%s", _of_run(item.run_id, item.message))
            elif isinstance(item, Noted) and item.source is not None:
                _log.info("%s", _of_run(item.run_id, item.source.named(item.message)))
        if snapshot.clock_set is not self._is_clock_set:
            self._is_clock_set = snapshot.clock_set
            is_set = Message("supervisor.note.clock_set")
            not_set = Message("supervisor.note.clock_not_set")
            _log.info("%s", is_set if snapshot.clock_set else not_set)


class OnceInAWhile(logging.Filter):
    """Lets a line pass at most once in ``AGAIN_AFTER_S``, by the records' own times."""

    def __init__(self) -> None:
        super().__init__()
        self._passed_at_s: dict[tuple[int, str], float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Return whether the line is written. A run's own lines are, each time."""
        key = (record.levelno, record.getMessage())
        before_s = self._passed_at_s.get(key)
        if before_s is not None and 0.0 <= record.created - before_s < AGAIN_AFTER_S:
            return False
        if len(self._passed_at_s) >= MOST_REMEMBERED:
            self._passed_at_s.clear()
        self._passed_at_s[key] = record.created
        return True


def _of_change(item: Changed) -> Message:
    values: dict[str, Value] = {"run": item.run_id or "", "state": item.state.value}
    message = item.message or (None if item.finding is None else item.finding.message)
    if item.totals is not None and item.totals.depth_mm is not None:
        values["depth_mm"] = item.totals.depth_mm
    if message is None:
        return Message("run.journal.state", {k: values[k] for k in ("run", "state")})
    if "depth_mm" in values:
        return Message("run.journal.state_at_depth", {**values, "message": message})
    return Message("run.journal.state_because", {**values, "message": message})


def _of_run(run_id: str | None, message: Message) -> Message:
    if run_id is None:
        return message
    return Message("run.journal.note", {"run": run_id, "message": message})
