"""The only module that reads a clock or waits.

The daemon uses the system's clock. A rehearsal runs on a virtual clock, in lockstep.
"""

from __future__ import annotations

import heapq
import logging
import math
import os
import random
import select
import threading
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from controller.errors import RefusedError
from controller.texts import text
from hardware.host import is_clock_synchronised

_log = logging.getLogger("biteclock")
_BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")


class SystemClock:
    """The machine's own clocks."""

    def __init__(self) -> None:
        self._was_set = False

    def monotonic_s(self) -> float:
        """Return the monotonic time in s."""
        return time.monotonic()

    def utc_now(self) -> datetime:
        """Return the wall time."""
        return datetime.now(UTC)

    def is_utc_set(self) -> bool:
        """Return whether the wall time was set from outside since the boot.

        Once it was, it counts as set for as long as the process lives: the kernel reports a clock
        without network as unsynchronised again after some hours.
        """
        self._was_set = self._was_set or is_clock_synchronised()
        return self._was_set

    def boot_id(self) -> str:
        """Return the kernel's id of this boot.

        Source: random(4), /proc/sys/kernel/random/boot_id.
        """
        return _BOOT_ID_FILE.read_text(encoding="ascii").strip()


class SystemPacer:
    """Waits in real time."""

    def __init__(self, clock: SystemClock) -> None:
        self._clock = clock
        self._never = threading.Event()

    def wait_until(self, deadline_s: float) -> None:
        """Wait for the deadline (monotonic s)."""
        remaining_s = deadline_s - self._clock.monotonic_s()
        if remaining_s > 0.0:
            self._never.wait(remaining_s)


class ThreadBeat:
    """Calls back at a fixed rate from a separate daemon thread.

    :param wakeup_fd: read end of the descriptor given to ``signal.set_wakeup_fd``, or None. Signals
        are read from it even while the main thread is stuck in a bus call.
    :param on_signal: called with the signal's number.
    """

    def __init__(
        self,
        clock: SystemClock,
        wakeup_fd: int | None = None,
        on_signal: Callable[[int], None] = lambda _number: None,
    ) -> None:
        self._clock = clock
        self._readable = [] if wakeup_fd is None else [wakeup_fd]
        self._on_signal = on_signal

    def every(self, period_s: float, callback: Callable[[float], None]) -> None:
        """Start the thread: ``callback(now_s)`` each period_s, until the process ends."""

        def body() -> None:
            while True:
                try:
                    for descriptor in select.select(self._readable, [], [], period_s)[0]:
                        for number in os.read(descriptor, 64):
                            self._on_signal(number)
                    callback(self._clock.monotonic_s())
                except Exception:  # a watch must go on whatever goes wrong
                    _log.exception("%s", text("hardware.beat_failed"))

        threading.Thread(target=body, name="biteclock-beat", daemon=True).start()


def wait_unlocked(seconds: float) -> None:
    """Wait in real time without the interpreter's lock, as a system call does that blocks.

    Other threads compute meanwhile, and the caller gets the lock back only when they let it go.
    """
    select.select([], [], [], seconds)


class VirtualClock:
    """A clock that moves only when it is advanced. The whole rehearsal rig steps from it.

    It starts at a large random number of seconds, so that code that reads another clock fails
    loudly.
    """

    def __init__(self, utc_start: datetime | None = None, start_s: float | None = None) -> None:
        if start_s is None:
            start_s = random.uniform(1e4, 2e5)  # noqa: S311 not for secrets
        self._start_s = start_s
        self._now_s = self._start_s
        self._utc_start = datetime.now(UTC) if utc_start is None else utc_start
        self._boot_id = uuid.uuid4().hex
        self.utc_is_set = True
        # A heap of beats: when due, number, period, callback.
        self._beats: list[tuple[float, int, float, Callable[[float], None]]] = []
        self._next_beat_s = math.inf

    def monotonic_s(self) -> float:
        """Return the virtual time in s."""
        return self._now_s

    def utc_now(self) -> datetime:
        """Return the wall time at the present virtual time."""
        return self._utc_start + timedelta(seconds=self._now_s - self._start_s)

    def is_utc_set(self) -> bool:
        """Return ``utc_is_set``, True unless somebody says otherwise."""
        return self.utc_is_set

    def boot_id(self) -> str:
        """Return the id of this clock. Times of clocks with different ids do not compare."""
        return self._boot_id

    def jump_utc(self, seconds: float) -> None:
        """Move the wall time only, as a step of network time does."""
        self._utc_start += timedelta(seconds=seconds)

    def every(self, period_s: float, callback: Callable[[float], None]) -> None:
        """Call ``callback(now_s)`` each ``period_s`` (> 0) while the time advances.

        The calls come also in the middle of a bus call. Raises: RefusedError for another period.
        """
        if not period_s > 0.0:
            raise RefusedError("hardware.clock.period", field="period_s", period_s=period_s)
        heapq.heappush(self._beats, (self._now_s + period_s, len(self._beats), period_s, callback))
        self._next_beat_s = self._beats[0][0]

    def advance_to(self, deadline_s: float) -> None:
        """Move to ``deadline_s``, calling back at each beat on the way.

        Raises: RefusedError when it lies in the past.
        """
        if deadline_s < self._now_s:
            raise RefusedError("hardware.clock.backwards", to_s=deadline_s, now_s=self._now_s)
        while self._next_beat_s <= deadline_s:
            due_s, number, period_s, callback = self._beats[0]
            self._now_s = max(self._now_s, due_s)
            heapq.heapreplace(self._beats, (due_s + period_s, number, period_s, callback))
            self._next_beat_s = self._beats[0][0]
            callback(self._now_s)
        self._now_s = max(self._now_s, deadline_s)

    def advance(self, seconds: float) -> float:
        """Move forward by ``seconds`` (>= 0) and return the time then, s."""
        deadline_s = self._now_s + seconds
        if self._now_s <= deadline_s < self._next_beat_s:
            self._now_s = deadline_s
        else:
            self.advance_to(deadline_s)
        return self._now_s


class LockstepPacer:
    """Moves the virtual clock to each deadline. With a speed, it waits in real time for each step.

    A busy machine slows the rehearsal and never trips it.

    :param speed: virtual seconds per real second, or None not to wait.
    Raises: RefusedError for a speed of 0 or below.
    """

    def __init__(self, clock: VirtualClock, speed: float | None = None) -> None:
        if speed is not None and not speed > 0.0:
            raise RefusedError("hardware.clock.speed", field="speed", speed=speed)
        self._clock = clock
        self._speed = speed
        self._never = threading.Event()
        self._real_deadline_s = time.monotonic()

    def wait_until(self, deadline_s: float) -> None:
        """Advance the virtual clock to the deadline (monotonic s)."""
        step_s = deadline_s - self._clock.monotonic_s()
        if step_s < 0.0:
            step_s = 0.0
        if self._speed is not None:
            self._sleep(step_s / self._speed)
        self._clock.advance(step_s)

    def _sleep(self, seconds: float) -> None:
        """Sleep until so long after the last real deadline."""
        now_s = time.monotonic()
        self._real_deadline_s = max(self._real_deadline_s + seconds, now_s)
        if self._real_deadline_s > now_s:
            self._never.wait(self._real_deadline_s - now_s)
