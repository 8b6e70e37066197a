"""The interface of an emulated sensor chip."""

from __future__ import annotations

from typing import Protocol

from hardware.rehearsal.waveform import Waveform


class SensorChip(Protocol):
    """A chip that takes and returns bytes and converts the waveform that it is fed. Times in s."""

    @property
    def due_s(self) -> float:
        """Time at which the running conversion ends; inf without one."""

    def power_on(self, now_s: float) -> None:
        """Set the registers to their power-on values, also after a brown-out."""

    def stick(self) -> None:
        """Stop converting for good. The registers keep their contents."""

    def receive(self, data: bytes, now_s: float) -> None:
        """Take the bytes of a write: nothing, a pointer, or a pointer and a word."""

    def read(self, pointer: int, count: int) -> bytes:
        """Point at a register and return ``count`` bytes of it."""

    def transmit(self, count: int) -> bytes:
        """Return ``count`` bytes of the register under the pointer."""

    def feed(self, from_s: float, to_s: float, wave: Waveform) -> None:
        """Apply the waveform to the inputs between two times.

        Calls follow each other without gaps.
        """
