"""The PIN that pairs a device, and how often it may be tried."""

from __future__ import annotations

import hmac
import logging
import math
import secrets
from collections.abc import Callable

from controller.errors import BiteclockError
from controller.ports import Clock
from controller.texts import Message, text

DIGITS = 6
DOUBLINGS = 10
LONGEST_WAIT_S = 600.0
"""Longest wait between two tries, s, reached after ten doublings.

144 tries a day against a million PINs find one in 19 years on average.
"""

NEW_PIN_AFTER = 20
"""Wrong tries after which a new PIN is drawn, so that the PINs already ruled out may recur."""

LIFE_S = 86_400.0
"""Longest life of a PIN, s: a day. A PIN in an old terminal or photograph pairs nothing."""

LIFE_AFTER_USE_S = 600.0
"""Life of a PIN after it first paired a device, s.

A studio pairs its phones one after the other with one code. A single-use PIN would send people
back to the Pi for each of them.
"""

_log = logging.getLogger("biteclock")


class TooManyTriesError(BiteclockError):
    """No PIN is accepted yet, right or wrong.

    :param wait_s: time until the next try, whole s.
    """

    def __init__(self, wait_s: int) -> None:
        super().__init__("http.pairing.too_many_tries", wait_s=wait_s)
        self.wait_s = wait_s


def draw_pin() -> str:
    """Return a random PIN."""
    return f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"


class PinGate:
    """The PIN in force, in memory only.

    It ends LIFE_S after it was drawn or LIFE_AFTER_USE_S after it first paired a device. Then none
    is in force until somebody who may see it asks for ``pin``. Each start of the daemon draws a new
    one, and so does ``renew``.

    After a wrong PIN nobody may try for 1 s, and twice as long after each further one, up to
    LONGEST_WAIT_S. The wait is the same for all devices, because addresses are cheap. The right
    PIN ends it.

    :param draw: returns a PIN.
    """

    def __init__(self, clock: Clock, draw: Callable[[], str] = draw_pin) -> None:
        self._clock = clock
        self._draw = draw
        self._wrong = 0
        self._open_at_s: float | None = None
        self._pin = draw()
        self._ends_at_s: float = clock.monotonic_s() + LIFE_S

    @property
    def pin(self) -> str:
        """The PIN in force, for somebody who may see it. Drawn now if the last one has ended."""
        if self._is_over():
            self._draw_anew()
        return self._pin

    def left_s(self) -> int:
        """Return the time until the PIN ends, whole s; 0 when none is in force."""
        left_s = round(self._ends_at_s - self._clock.monotonic_s(), 6)  # not the rounding error
        return max(0, math.floor(left_s))

    def wait_s(self) -> int:
        """Return the time until a PIN is accepted, whole s. 0 when one is accepted now."""
        if self._open_at_s is None:
            return 0
        left_s = round(self._open_at_s - self._clock.monotonic_s(), 6)  # not the rounding error
        return max(0, math.ceil(left_s))

    def admits(self, pin: str, caller: str | None) -> bool:
        """Return whether a PIN is the one in force.

        :param caller: the caller's address for the log, or None when it is not known.

        Raises: TooManyTriesError, without a look at the PIN.
        """
        wait_s = self.wait_s()
        if wait_s > 0:
            raise TooManyTriesError(wait_s)
        if hmac.compare_digest(pin.encode(), self._pin.encode()) and not self._is_over():
            self._wrong = 0
            self._ends_at_s = min(self._ends_at_s, self._clock.monotonic_s() + LIFE_AFTER_USE_S)
            return True
        self._wrong += 1
        pause_s = min(2.0 ** min(self._wrong - 1, DOUBLINGS), LONGEST_WAIT_S)
        self._open_at_s = self._clock.monotonic_s() + pause_s
        _log.warning(
            text(
                "http.pairing.wrong_pin_logged",
                caller=Message("http.pairing.somebody") if caller is None else caller,
                count=self._wrong,
                pause_s=pause_s,
            )
        )
        if self._wrong % NEW_PIN_AFTER == 0:
            self._draw_anew()
            _log.warning(text("http.pairing.new_pin", wrong_tries=self._wrong))
        return False

    def renew(self) -> None:
        """Draw a new PIN, which may be tried at once: somebody who may control asked for it."""
        self._draw_anew()
        self._wrong = 0
        self._open_at_s = None

    def _draw_anew(self) -> None:
        self._pin = self._draw()
        self._ends_at_s = self._clock.monotonic_s() + LIFE_S

    def _is_over(self) -> bool:
        return self._clock.monotonic_s() >= self._ends_at_s
