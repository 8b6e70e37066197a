"""What the rehearsal needs of an emulated sensor chip, whichever it is."""

from __future__ import annotations

from typing import Protocol

from hardware.rehearsal.waveform import Waveform


class SensorChip(Protocol):
    """A chip without its wires: bytes in, bytes out, and a waveform fed to it. Times in s."""

    @property
    def due_s(self) -> float:
        """Time at which the running conversion ends; inf when none runs."""

    def power_on(self, now_s: float) -> None:
        """Start with the registers' power-on values, also after a brown-out."""

    def stick(self) -> None:
        """Stop converting for good, the registers keep what they hold."""

    def receive(self, data: bytes, now_s: float) -> None:
        """Take the bytes of a write: nothing, a pointer, or a pointer and a word."""

    def read(self, pointer: int, count: int) -> bytes:
        """Point at a register and return ``count`` bytes of it."""

    def transmit(self, count: int) -> bytes:
        """Return ``count`` bytes of the register under the pointer."""

    def feed(self, from_s: float, to_s: float, wave: Waveform) -> None:
        """Let the waveform stand at the inputs between two times, in order and without holes."""
