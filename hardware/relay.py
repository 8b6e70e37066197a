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


_STOPS = (OffRequest.STOP, OffRequest.STOP_BUTTON)


class RelayGate:
    """The relay output. Any code may turn it off. It turns on only while no request for off stands.

    The lock is re-entrant, because a signal handler may revoke in the middle of ``turn_on`` on the
    same thread. ``turn_on`` checks the latch again after the pin went high, so that such a request
    wins. SHUTDOWN has a flag that nothing clears: the handler may also come between a check of the
    latch and a change of it.

    :param output: the pin, claimed low (initial value False).
    """

    def __init__(self, output: OutputPin) -> None:
        self._output = output
        self._lock = threading.RLock()
        self._request: OffRequest | None = None  # never SHUTDOWN
        self._is_shut_down = False
        self._number = 0
        output.off()

    def turn_on(self) -> None:
        """Energise the relay.

        Raises: RelayRevokedError while a request for off stands.
        """
        with self._lock:
            if self._standing() is None:
                self._output.on()
            standing = self._standing()
            if standing is not None:
                self._output.off()
                raise RelayRevokedError(
                    "hardware.relay_revoked",
                    request=Message(f"hardware.off_request.{standing.value}"),
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
        stale sensor, which a run at rest would ignore. SHUTDOWN overrides a stale sensor and is
        never cleared. A Stop is handled before it, so that the run ends.
        """
        with self._lock:
            try:
                self._output.off()
            finally:
                self._number += 1
                if request is OffRequest.SHUTDOWN:
                    self._is_shut_down = True
                elif self._request not in _STOPS:
                    self._request = request

    def standing_request(self) -> tuple[OffRequest, int] | None:
        """Return the standing request and the number of the newest one, or None."""
        with self._lock:
            standing = self._standing()
            return None if standing is None else (standing, self._number)

    def newest_request(self) -> int:
        """Return the number of the newest request for off, 0 before the first."""
        return self._number

    def reinstate(self, number: int) -> None:
        """Clear the latch if no request came after ``number``. SHUTDOWN stays."""
        with self._lock:
            if number == self._number:
                self._request = None

    def _standing(self) -> OffRequest | None:
        """Return the request that is handled next: a Stop, then SHUTDOWN, then a stale sensor."""
        if self._is_shut_down and self._request not in _STOPS:
            return OffRequest.SHUTDOWN
        return self._request
