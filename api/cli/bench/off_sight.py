"""Watches the status of a daemon until it shows that the rig is off."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import Any

from controller.errors import BiteclockError
from controller.safety.checks import OFF_LOOK_S, OFF_SAMPLES
from controller.texts import Message

LOOK_EVERY_S = 0.1
"""Time between two looks at the status, s."""

LOOKS = round(OFF_LOOK_S / LOOK_EVERY_S)
"""Most looks."""

UNANSWERED = 2
"""After this many looks in a row without an answer, the daemon counts as silent."""

APART_S = 1e-3
"""Samples closer than this are the same one, s: a conversion takes 70 ms."""


def a_moment() -> None:
    """Wait from one look to the next."""
    threading.Event().wait(LOOK_EVERY_S)


class OffSight:
    """Counts the fresh samples in a row that show off.

    :param off_at_s: monotonic time at which the relay had been turned off; older samples do not
        count. None for the time of the first status.
    """

    def __init__(self, off_at_s: float | None) -> None:
        self._newest_s = off_at_s
        self._count = 0
        self.problem = Message("command_line.off.no_fresh_sample", {"within_s": OFF_LOOK_S})

    def take(self, status: Mapping[str, Any]) -> bool:
        """Return whether off has been seen."""
        if self._newest_s is None:
            self._newest_s = status["at_s"]
        if status["relay_on"] or status["relay_welded"]:
            self._count = 0
            self.problem = (
                Message("command_line.off.relay_on")
                if status["relay_on"]
                else Message("command_line.off.welded")
            )
            return False
        if status["sample_age_s"] is None:
            return False
        taken_at_s = status["at_s"] - status["sample_age_s"]
        if taken_at_s < self._newest_s + APART_S:
            return False
        self._newest_s = taken_at_s
        if status["sample_shows_off"]:
            self._count += 1
        else:
            self._count = 0
            values = {"current_a": status["current_a"], "voltage_v": status["voltage_v"]}
            self.problem = Message("command_line.off.current", values)
        return self._count >= OFF_SAMPLES


def watch_until_off(
    read_status: Callable[[], Mapping[str, Any]],
    off_at_s: float | None,
    wait: Callable[[], None] | None = None,
) -> Message | None:
    """Return None when off has been seen, else why not.

    :param read_status: returns the newest status. Raises: BiteclockError.
    :param wait: waits from one look to the next; None for ``a_moment``.
    """
    sight = OffSight(off_at_s)
    unanswered = 0
    for _ in range(LOOKS):
        try:
            status = read_status()
        except BiteclockError as error:
            unanswered += 1
            if unanswered >= UNANSWERED:
                return error.message
        else:
            unanswered = 0
            if sight.take(status):
                return None
        (a_moment if wait is None else wait)()
    return sight.problem
