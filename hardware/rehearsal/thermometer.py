"""The thermometer of the rehearsal bath: it may fall silent."""

from __future__ import annotations


class BathThermometer:
    """Whether the thermometer of the rehearsal bath answers."""

    def __init__(self) -> None:
        self.is_silent = False

    def fall_silent(self) -> None:
        """Let it answer no more, as with a broken wire."""
        self.is_silent = True
