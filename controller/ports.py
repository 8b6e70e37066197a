"""What the controller needs from the world, as small protocols. hardware/ provides them, twice: Pi and rehearsal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Protocol

from controller.messages import OffRequest, Sample, Snapshot
from controller.safety.outbox import News


class Clock(Protocol):
    """Time as values. Policy never sleeps."""

    def monotonic_s(self) -> float:
        """Return seconds that never jump, from an arbitrary origin that changes with the boot."""

    def utc_now(self) -> datetime:
        """Return the wall time, timezone-aware. A label: it may jump and is never subtracted."""

    def is_utc_set(self) -> bool:
        """Return whether the wall time was set since the boot: only then it tells a time away."""

    def boot_id(self) -> str:
        """Return what names this boot: monotonic times compare only under the same id."""


class Pacer(Protocol):
    """Waits for the loop."""

    def wait_until(self, deadline_s: float) -> None:
        """Return when the clock's monotonic time has reached ``deadline_s``, or earlier after ``wake``."""

    def wake(self) -> None:
        """End the present wait now. Safe from any thread and from a signal handler."""


class PowerSensor(Protocol):
    """Current and voltage of the cell, one conversion at a time."""

    @property
    def range_a(self) -> float:
        """Full scale of the current measurement, A."""

    def poll(self) -> Sample | None:
        """Return the newest conversion if it has not been returned before, else None.

        Raises: SensorError when it cannot be read, SensorResetError when the chip lost its configuration.
        """

    def look_again(self) -> None:
        """Ask for one quick conversion, so that a suspicious sample is confirmed or not within one poll.

        Raises: SensorError.
        """


class RelayGate(Protocol):
    """The relay behind a lock and a latch."""

    def turn_on(self) -> None:
        """Energise the relay. Raises: RelayRevokedError while a request for off stands."""

    def turn_off(self) -> None:
        """Release the relay. Anybody, any thread, any time."""

    def reads_on(self) -> bool:
        """Return the level that the output reads back, True for energised."""


class OffLatch(Protocol):
    """The latch of the relay gate: a request for off that stands until the supervisor has dealt with it."""

    def revoke(self, request: OffRequest) -> None:
        """Turn off and refuse ``turn_on`` from now on. The first request keeps its name."""

    def standing_request(self) -> tuple[OffRequest, int] | None:
        """Return the standing request and its number, or None."""

    def newest_request(self) -> int:
        """Return the number of the newest request for off, dealt with or not."""

    def reinstate(self, number: int) -> None:
        """Clear the request with that number; a newer one stays. Does nothing after SHUTDOWN."""


class Gate(RelayGate, OffLatch, Protocol):
    """Relay and latch together, as the supervisor holds them."""


class DeadMan(Protocol):
    """An output that must keep changing, or the timer in the coil supply drops the relay."""

    def pulse(self) -> None:
        """Change the level once. Called after each good fresh sample of a run and at no other time."""


class Thermometer(Protocol):
    """Bath temperature."""

    def latest_degc(self) -> float | None:
        """Return the newest reading in degC, or None when there is none that is recent enough."""


class Follower(Protocol):
    """Looks on after a pass: panel, logbook, watchdog."""

    def follow(self, snapshot: Snapshot, news: Sequence[News]) -> None:
        """Take note of the newest snapshot and of what happened since the last one. Must return at once."""


class Beat(Protocol):
    """Calls back at a fixed rate, independently of the loop."""

    def every(self, period_s: float, callback: Callable[[float], None]) -> None:
        """Call ``callback(now_s)`` each ``period_s`` until the process ends."""
