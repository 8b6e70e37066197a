"""Turns off when samples stop arriving.

It runs on its own thread, because the loop may be stuck in a bus call.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.messages import OffRequest
from controller.ports import Gate


@dataclass(slots=True)
class Freshness:
    """When the newest good sample was taken, monotonic s.

    The supervisor writes it; the age watch reads it.
    """

    taken_at_s: float


class AgeWatch:
    """Revokes the relay when samples stop arriving.

    :param max_age_s: oldest good sample allowed while the relay is on.
    """

    def __init__(self, gate: Gate, freshness: Freshness, max_age_s: float) -> None:
        self._gate = gate
        self._freshness = freshness
        self._max_age_s = max_age_s

    def check(self, now_s: float) -> None:
        """Revoke the relay if it may be on and the newest good sample is too old."""
        if now_s - self._freshness.taken_at_s > self._max_age_s and self._may_be_on():
            self._gate.revoke(OffRequest.SENSOR_STALE)

    def _may_be_on(self) -> bool:
        try:
            return self._gate.reads_on()
        except Exception:  # a pin that cannot be read may be on
            return True
