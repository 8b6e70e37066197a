"""Keeps the sensor's conversions out of step with the supply's ripple.

An INA219 averages the shunt over 68 ms but measures the bus voltage only briefly. In step with the
ripple, each measurement would see the same phase of it, and the mean of many would be off by up to
the ripple's amplitude, for minutes. At 100 Hz that happens when the chip's clock is 2 % slow (7
periods per conversion), at 120 Hz when it is 3 % fast. A slightly longer bus measurement changes
the pace, so a sensor has several paces to choose from (``SensorSpec.averaged_s``).
"""

from __future__ import annotations

from controller.ports import SensorSpec

RIPPLE_HZ = (100.0, 120.0)
"""Ripple of a full-wave rectifier on mains of 50 and 60 Hz, Hz."""

LEAST_BEAT_HZ = 0.9
"""Slower beats are avoided, Hz. Means over 2.2 s leave at most a sixth of a faster beat. At any
chip clock within 10 %, some pace gives 1.4 Hz (tests/rig/test_conversion_pace.py)."""

COUNT = 256
"""Conversions over which the pace is measured, 18 s. The jitter of a poll is 0.1 % of that, or
0.1 Hz of beat."""

_GAP = 1.6
"""A longer gap, in typical conversions, means that one was missed."""


def beat_hz(period_s: float) -> float:
    """Return the slowest beat of the ripple with conversions every ``period_s``, Hz."""
    return min(abs(hertz - round(period_s * hertz) / period_s) for hertz in RIPPLE_HZ)


class ConversionPace:
    """Measures the pace of the averaged conversions and chooses a pace of the sensor."""

    def __init__(self, spec: SensorSpec) -> None:
        self._averaged_s = spec.averaged_s
        self._choice = 0
        self._first_s: float | None = None
        self._last_s = 0.0
        self._count = 0

    @property
    def choice(self) -> int:
        """Index of the present pace."""
        return self._choice

    @property
    def typical_s(self) -> float:
        """Typical time of a conversion at this pace, s."""
        return self._averaged_s[self._choice]

    def note(self, at_s: float) -> bool:
        """Note that a conversion was read at ``at_s``, and return whether the pace has changed."""
        if self._first_s is None or at_s - self._last_s > _GAP * self.typical_s:
            self._first_s, self._count = at_s, 0
        else:
            self._count += 1
        self._last_s = at_s
        if self._count < COUNT:
            return False
        period_s = (at_s - self._first_s) / self._count
        self._first_s = None
        return self._choose(period_s)

    def restart(self) -> None:
        """Forget the times, because the conversions were interrupted."""
        self._first_s = None

    def _choose(self, period_s: float) -> bool:
        if beat_hz(period_s) >= LEAST_BEAT_HZ:
            return False
        stretch = period_s / self.typical_s
        before = self._choice
        self._choice = max(
            range(len(self._averaged_s)), key=lambda k: beat_hz(stretch * self._averaged_s[k])
        )
        return self._choice != before
