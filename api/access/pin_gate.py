"""The PIN that pairs a device, and how fast it may be tried."""

from __future__ import annotations

import hmac
import logging
import math
import secrets
from collections.abc import Callable

from controller.errors import BiteclockError
from controller.ports import Clock

DIGITS = 6
DOUBLINGS = 10
LONGEST_WAIT_S = 600.0
"""Wait that the tries end up with, s, after ten doublings: 144 tries a day against a million PINs hit one in 19 years on
average."""

NEW_PIN_AFTER = 20
"""Wrong tries after which another PIN is drawn: what was ruled out then counts for nothing."""

_log = logging.getLogger("biteclock")


class TooManyTriesError(BiteclockError):
    """The PIN may not be tried yet, right or wrong.

    :param wait_s: for how long, whole s.
    """

    def __init__(self, wait_s: int) -> None:
        super().__init__(
            f"wrong PINs were given, the next try is taken in {wait_s} s: read the PIN at the bench meanwhile"
        )
        self.wait_s = wait_s


def draw_pin() -> str:
    """Return a random PIN."""
    return f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"


class PinGate:
    """The present PIN. It is kept in memory only, drawn anew at each start of the daemon, and by ``renew``.

    After each wrong PIN everybody waits, 1 s at first and twice as long each time up to LONGEST_WAIT_S: for all devices
    together, since addresses are cheap. A right one ends that.

    :param draw: returns a PIN.
    """

    def __init__(self, clock: Clock, draw: Callable[[], str] = draw_pin) -> None:
        self._clock = clock
        self._draw = draw
        self.pin = draw()
        self._wrong = 0
        self._open_at_s: float | None = None

    def wait_s(self) -> int:
        """Return for how long no PIN is taken, whole s; 0 when one is."""
        if self._open_at_s is None:
            return 0
        return max(
            0, math.ceil(round(self._open_at_s - self._clock.monotonic_s(), 6))
        )  # without the sum's rounding error

    def admits(self, pin: str, whom: str) -> bool:
        """Return whether that is the PIN. Raises: TooManyTriesError, without having looked at it.

        :param whom: whoever tries, for the log.
        """
        wait_s = self.wait_s()
        if wait_s > 0:
            raise TooManyTriesError(wait_s)
        if hmac.compare_digest(pin.encode(), self.pin.encode()):
            self._wrong = 0
            return True
        self._wrong += 1
        pause_s = min(2.0 ** min(self._wrong - 1, DOUBLINGS), LONGEST_WAIT_S)
        self._open_at_s = self._clock.monotonic_s() + pause_s
        _log.warning(
            "%s gave a wrong PIN, the %d. in a row: no PIN is taken for %.0f s",
            whom,
            self._wrong,
            pause_s,
        )
        if self._wrong % NEW_PIN_AFTER == 0:
            self.pin = self._draw()
            _log.warning("the PIN was tried %d times in vain and is now %s", self._wrong, self.pin)
        return False

    def renew(self) -> None:
        """Draw another PIN and let it be tried at once, because somebody at the bench asks for it."""
        self.pin = self._draw()
        self._wrong = 0
        self._open_at_s = None
