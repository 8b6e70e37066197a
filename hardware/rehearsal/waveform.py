"""The voltages at the sensor's inputs during one step: DC and one sinusoid, in phase on both."""

from __future__ import annotations

from math import cos
from typing import NamedTuple


class Waveform(NamedTuple):
    """Shunt and bus voltage of one step.

    :param shunt_v: DC across the shunt, V.
    :param shunt_ripple_v: amplitude of the sinusoid on it, V.
    :param bus_v: DC between the far side of the shunt and ground, V.
    :param bus_ripple_v: amplitude of the sinusoid on it, V.
    :param ripple_rad_per_s: angular frequency of the sinusoid, above 0.
    :param phase_rad: its phase at time 0 of the clock.
    """

    shunt_v: float
    shunt_ripple_v: float
    bus_v: float
    bus_ripple_v: float
    ripple_rad_per_s: float
    phase_rad: float

    def ripple_integral_s(self, from_s: float, to_s: float) -> float:
        """Return the integral of sin(w t + phase) dt between two times in s, exactly."""
        w = self.ripple_rad_per_s
        return (cos(w * from_s + self.phase_rad) - cos(w * to_s + self.phase_rad)) / w
