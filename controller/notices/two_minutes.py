"""Notices when a run has two minutes left, once in each run."""

from __future__ import annotations

from typing import Final

from controller.messages import RunState, Snapshot

TWO_MINUTES_S: Final = 120.0
"""Time before the end at which a person is called, s: enough to walk back and put gloves on."""


class TwoMinutes:
    """Sees the time left pass two minutes.

    A run that is first seen with less than that left, a short one or one after a restart, gives no
    such call: it would be repeated or untrue.
    """

    def __init__(self) -> None:
        self._armed_for: str | None = None
        self._called_for: str | None = None

    def has_come(self, snapshot: Snapshot) -> bool:
        """Return True for the one snapshot of a run in which two minutes are left."""
        run_id, left_s = snapshot.run_id, snapshot.remaining_s
        if snapshot.state is not RunState.RUNNING or left_s is None or run_id is None:
            return False
        if left_s > TWO_MINUTES_S:
            self._armed_for = run_id
            return False
        if self._armed_for != run_id or self._called_for == run_id:
            return False
        self._called_for = run_id
        return True
