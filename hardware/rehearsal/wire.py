"""The I2C bus of the rehearsal rig: five busio methods, the time they take, and their failures."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from math import inf
from typing import Any

from controller.errors import RefusedError
from hardware.clock import VirtualClock
from hardware.rehearsal.sensor_chip import SensorChip

STUCK_S = 1.02
"""Time that a transaction blocks on a stuck bus, s. Source: kernel log times in reports of timeouts
of a Raspberry Pi's I2C controller (raspberrypi/linux, 5784 and 6047)."""

BITS_PER_BYTE = 9
"""Eight bits and the acknowledge bit. Source: NXP UM10204, I2C-bus specification."""
KERNEL_S = 50e-6
"""Time of the system call around a transaction, s. Order of magnitude, no source."""


class I2cWire:
    """A busio-like bus with one sensor chip on it.

    The clock is advanced before the lock is taken, never inside it, because its beats may switch
    the relay.

    :param bus_hz: clock rate of the bus.
    :param lock: held while the chip is accessed.
    :param catch_up: steps the whole rig to the given time in s.
    :param transfer: called with the duration of each transaction in s, before it. A bus that
        blocks in real time, as the kernel's does, waits here without the interpreter's lock.
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
        transfer: Callable[[float], None] | None = None,
    ) -> None:
        self._chip = chip
        self._clock = clock
        self._transfer = transfer
        self._address = address
        self._byte_s = BITS_PER_BYTE / bus_hz
        self._word_read_s = KERNEL_S + 5 * self._byte_s
        self._lock = lock
        self._catch_up = catch_up
        self._taken = False
        self._fails: int | None = None
        self.event_s = inf
        """Time of the rig's next event other than the end of a conversion, s."""

    def break_off(self) -> None:
        """Let every transaction fail at once with EREMOTEIO (121), as without an acknowledge."""
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
        """Release the bus."""
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
        """Read into ``buffer[start:end]`` from the register under the pointer.

        Raises: OSError as the kernel does.
        """
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
        """Point at a register and read from it in one transaction.

        ``stop`` has no effect on the chip. Raises: OSError as the kernel does; RefusedError for
        more or less than the one byte of the pointer.
        """
        if out_end is None:
            out_end = len(out_buffer)
        if in_end is None:
            in_end = len(in_buffer)
        if out_end - out_start != 1:
            raise RefusedError("hardware.wire.pointer", count=out_end - out_start)
        if self._transfer is not None:
            self._transfer(self._word_read_s)
        now_s = self._clock.advance(self._word_read_s)
        if (
            now_s >= self._chip.due_s
            or now_s >= self.event_s
            or self._fails is not None
            or address != self._address
        ):
            self._settle(address, now_s)
        with self._lock:
            in_buffer[in_start:in_end] = self._chip.read(out_buffer[out_start], in_end - in_start)

    def _transact(self, address: int, takes_s: float) -> float:
        """Advance the clock by a transaction and return the time after it, s. Raises: OSError."""
        if self._transfer is not None:
            self._transfer(takes_s)
        now_s = self._clock.advance(takes_s)
        self._settle(address, now_s)
        return now_s

    def _settle(self, address: int, now_s: float) -> None:
        """Step the rig to the end of a transaction if an event is due by then.

        Raises: OSError when the transaction fails.
        """
        if now_s >= self._chip.due_s or now_s >= self.event_s:
            with self._lock:
                self._catch_up(now_s)
        if self._fails is not None or address != self._address:
            number = errno.EREMOTEIO if self._fails is None else self._fails
            if number == errno.ETIMEDOUT:
                if self._transfer is not None:
                    self._transfer(STUCK_S)
                self._clock.advance(STUCK_S)
            raise OSError(number, os.strerror(number))
