"""Ends a run when writing the logbook keeps failing, if ``logbook.when_full`` is ``trip``."""

from __future__ import annotations

from collections.abc import Sequence

from controller.logbook.logbook import Logbook
from controller.messages import Finding, Snapshot, TripReason
from controller.ports import Clock
from controller.safety.outbox import OutboxItem
from controller.safety.supervisor import Supervisor
from controller.texts import Message

PATIENCE_S = 10.0
"""A shorter failure is a passing lock, s."""


class StoreWatch:
    """A follower that trips with ``store_full``. Without it, the run continues with a message."""

    def __init__(self, supervisor: Supervisor, logbook: Logbook, clock: Clock) -> None:
        self._supervisor = supervisor
        self._logbook = logbook
        self._clock = clock

    def follow(self, _snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Check the logbook's health."""
        health = self._logbook.health()
        if health.failing_since_at_s is None:
            return
        failing_s = self._clock.monotonic_s() - health.failing_since_at_s
        if failing_s > PATIENCE_S:
            report = {"report": health.message or ""}
            cause = Message("guards.store_full.trouble", report)
            self._supervisor.cut(
                Finding(TripReason.STORE_FULL, failing_s, PATIENCE_S, "s", cause=cause)
            )
