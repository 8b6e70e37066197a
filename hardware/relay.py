"""The rectifier relay behind a lock and a latch.

Active high, released at construction, with a normally open contact.
"""

from __future__ import annotations

import threading
from typing import Protocol

from controller.errors import RelayRevokedError
from controller.messages import OffRequest
from controller.texts import Message


class OutputPin(Protocol):
    """What the gate needs of gpiozero's DigitalOutputDevice."""

    value: int

    def on(self) -> None:
        """Drive the pin high."""

    def off(self) -> None:
        """Drive the pin low."""


class RelayGate:
    """The relay output. Any code may turn it off. It turns on only while no request for off stands.

    The lock is re-entrant, because a signal handler may revoke in the middle of ``turn_on`` on the
    same thread. ``turn_on`` checks the latch again after the pin went high, so that such a request
    wins.

    :param output: the pin, claimed low (initial value False).
    """

    def __init__(self, output: OutputPin) -> None:
        self._output = output
        self._lock = threading.RLock()
        self._request: OffRequest | None = None
        self._number = 0
        output.off()

    def turn_on(self) -> None:
        """Energise the relay.

        Raises: RelayRevokedError while a request for off stands.
        """
        with self._lock:
            if self._request is None:
                self._output.on()
            if self._request is not None:
                self._output.off()
                raise RelayRevokedError(
                    "hardware.relay_revoked",
                    request=Message(f"hardware.off_request.{self._request.value}"),
                )

    def turn_off(self) -> None:
        """Release the relay."""
        with self._lock:
            self._output.off()

    def reads_on(self) -> bool:
        """Return the level that the pin reads back."""
        return bool(self._output.value)

    def revoke(self, request: OffRequest) -> None:
        """Release the relay and refuse ``turn_on`` until ``reinstate``.

        The first request keeps its name, with two exceptions. A person's Stop takes the place of a
        stale sensor, which a run at rest would ignore. SHUTDOWN overrides all and is never cleared.
        """
        with self._lock:
            try:
                self._output.off()
            finally:
                self._number += 1
                if (
                    self._request in (None, OffRequest.SENSOR_STALE)
                    or request is OffRequest.SHUTDOWN
                ):
                    self._request = request

    def standing_request(self) -> tuple[OffRequest, int] | None:
        """Return the standing request and the number of the newest one, or None."""
        with self._lock:
            return None if self._request is None else (self._request, self._number)

    def newest_request(self) -> int:
        """Return the number of the newest request for off, 0 before the first."""
        return self._number

    def reinstate(self, number: int) -> None:
        """Clear the latch if no request came after ``number``; never after SHUTDOWN."""
        with self._lock:
            if number == self._number and self._request is not OffRequest.SHUTDOWN:
                self._request = None
