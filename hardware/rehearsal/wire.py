"""The I2C bus of the rehearsal bench: the five busio methods, the time a transaction takes, and what can go wrong."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from math import inf
from typing import Any

from hardware.clock import VirtualClock
from hardware.rehearsal.sensor_chip import SensorChip

STUCK_S = 1.02
"""Time that a transaction blocks on a stuck bus, s. Source: kernel log times in reports of a Raspberry Pi's I2C
controller timing out (raspberrypi/linux, 5784 and 6047)."""

BITS_PER_BYTE = 9
"""Eight and the acknowledge bit. Source: NXP UM10204, I2C-bus specification."""
KERNEL_S = 50e-6
"""Time of the system call around a transaction, s. An order of magnitude, no source."""


class I2cWire:
    """A busio-like bus with one sensor chip on it.

    The clock is advanced before the lock is taken, never inside it: its beats may switch the relay meanwhile.

    :param bus_hz: clock rate of the bus.
    :param lock: held while the chip is looked at.
    :param catch_up: brings everything on the bench to the given time in s.
    """

    def __init__(
        self,
        chip: SensorChip,
        clock: VirtualClock,
        *,
        address: int,
        bus_hz: float,
        lock: AbstractContextManager[Any],
        catch_up: Callable[[float], None],
    ) -> None:
        self._chip = chip
        self._clock = clock
        self._address = address
        self._byte_s = BITS_PER_BYTE / bus_hz
        self._word_read_s = KERNEL_S + 5 * self._byte_s
        self._lock = lock
        self._catch_up = catch_up
        self._taken = False
        self._fails: int | None = None
        self.event_s = inf
        """Time at which the bench has something to do besides the chip's conversion, s."""

    def break_off(self) -> None:
        """Let every transaction fail at once with EREMOTEIO (121), as when nobody acknowledges."""
        self._fails = errno.EREMOTEIO

    def stick(self) -> None:
        """Let every transaction block for STUCK_S and then fail with ETIMEDOUT (110)."""
        self._fails = errno.ETIMEDOUT

    def try_lock(self) -> bool:
        """Take the bus if it is free."""
        if self._taken:
            return False
        self._taken = True
        return True

    def unlock(self) -> None:
        """Give the bus back."""
        self._taken = False

    def writeto(
        self, address: int, buffer: bytes | bytearray, *, start: int = 0, end: int | None = None
    ) -> None:
        """Write ``buffer[start:end]``. Raises: OSError as the kernel does."""
        data = bytes(buffer[start:end])
        now_s = self._transact(address, KERNEL_S + (1 + len(data)) * self._byte_s)
        with self._lock:
            self._catch_up(now_s)
            self._chip.receive(data, now_s)

    def readfrom_into(
        self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None
    ) -> None:
        """Read into ``buffer[start:end]`` from the register under the pointer. Raises: OSError as the kernel does."""
        end = len(buffer) if end is None else end
        self._transact(address, KERNEL_S + (1 + end - start) * self._byte_s)
        with self._lock:
            buffer[start:end] = self._chip.transmit(end - start)

    def writeto_then_readfrom(
        self,
        address: int,
        out_buffer: bytes | bytearray,
        in_buffer: bytearray,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
        stop: bool = False,
    ) -> None:
        """Point at a register and read from it in one transaction (``stop`` makes no difference to the chip).

        Raises: OSError as the kernel does; ValueError for more than the pointer byte, which no register read needs.
        """
        if out_end is None:
            out_end = len(out_buffer)
        if in_end is None:
            in_end = len(in_buffer)
        if out_end - out_start != 1:
            raise ValueError(
                f"{out_end - out_start} bytes written before the read, a register pointer is 1 byte"
            )
        now_s = self._clock.advance(self._word_read_s)
        if (
            now_s >= self._chip.due_s
            or now_s >= self.event_s
            or self._fails is not None
            or address != self._address
        ):
            self._look_around(address, now_s)
        with self._lock:
            in_buffer[in_start:in_end] = self._chip.read(out_buffer[out_start], in_end - in_start)

    def _transact(self, address: int, takes_s: float) -> float:
        """Let the time of a transaction pass and return the time after it, s. Raises: OSError."""
        now_s = self._clock.advance(takes_s)
        self._look_around(address, now_s)
        return now_s

    def _look_around(self, address: int, now_s: float) -> None:
        """Bring the bench to the end of a transaction if it has anything to do by then. Raises: OSError when that fails."""
        if now_s >= self._chip.due_s or now_s >= self.event_s:
            with self._lock:
                self._catch_up(now_s)
        if self._fails is not None or address != self._address:
            number = errno.EREMOTEIO if self._fails is None else self._fails
            if number == errno.ETIMEDOUT:
                self._clock.advance(STUCK_S)
            raise OSError(number, os.strerror(number))
