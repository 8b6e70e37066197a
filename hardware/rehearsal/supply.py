"""The model of a small DC supply: set point, limit, internal resistance, ripple, failures."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from controller.errors import RefusedError
from controller.units import positive

RAW_RAIL_V = 15.0
RAW_RAIL_OHM = 0.5
"""A small supply whose regulation has failed: only transformer and rectifier remain. Common
practice, no source."""

WORST_RIPPLE_FRACTION = 0.48
WORST_RIPPLE_HZ = 100.0
"""Ripple of a full-wave rectifier without its capacitor. The second harmonic of a rectified sine is
2/3 of its mean; a part of that remains. 128 averaged samples leave more of 100 Hz than of 120
Hz."""


@dataclass(slots=True)
class Supply:
    """A supply as the load sees it.

    :param voltage_v: open-circuit voltage: set point, or compliance under a current limit.
    :param limit_a: current limit, or None for a plain voltage source.
    :param internal_ohm: resistance behind the regulated point.
    :param ripple_fraction: amplitude of the current's ripple over its DC, below 1, because a
        rectifier never reverses.
    :param ripple_hz: 100 or 120 Hz for full-wave rectified mains.
    :param ripple_phase_rad: phase of the sine at time 0 of the clock.
    :param ramp_s: time over which the voltage rises after the contact has closed, 0 for at once.
    :param polarity: 1, or -1 with swapped leads.
    :param dead: it neither gives nor takes current.
    :param raw: its regulation is lost, and its knobs have no effect.
    """

    voltage_v: float
    limit_a: float | None = None
    internal_ohm: float = 0.05
    ripple_fraction: float = 0.0
    ripple_hz: float = 100.0
    ripple_phase_rad: float = 0.0
    ramp_s: float = 0.0
    polarity: int = 1
    dead: bool = False
    raw: bool = False

    def __post_init__(self) -> None:
        positive(self.voltage_v, "supply_v", "V")
        positive(self.internal_ohm, "supply_internal_ohm", "ohm")
        positive(self.ripple_hz, "ripple_hz", "Hz")
        if self.limit_a is not None:
            positive(self.limit_a, "supply_limit_a", "A")
        if not 0.0 <= self.ripple_fraction < 1.0:
            raise RefusedError(
                "hardware.supply.ripple",
                field="ripple_fraction",
                ripple_fraction=self.ripple_fraction,
            )
        if not self.ramp_s >= 0.0:
            raise RefusedError("hardware.supply.ramp", field="ramp_s", ramp_s=self.ramp_s)

    def emf_v(self, on_for_s: float) -> float:
        """Return the voltage behind the internal resistance, V (>= 0).

        :param on_for_s: time since the contact has closed.
        """
        if on_for_s >= self.ramp_s:
            return self.voltage_v
        return self.voltage_v * max(0.0, on_for_s) / self.ramp_s

    def turn_to(self, voltage_v: float, limit_a: float | None) -> None:
        """Turn the knobs to another set point and limit. No effect when regulation is lost."""
        if not self.raw:
            self.voltage_v = positive(voltage_v, "supply_v", "V")
            self.limit_a = None if limit_a is None else positive(limit_a, "supply_limit_a", "A")

    def run_away(self) -> None:
        """Lose regulation and current limit: the raw rail comes through."""
        self.raw = True
        self.voltage_v = RAW_RAIL_V
        self.internal_ohm = RAW_RAIL_OHM
        self.limit_a = None
        self.ramp_s = 0.0

    def ripple_from_crest(self, fraction: float, ripple_hz: float, now_s: float) -> None:
        """Change the ripple so that it is at its crest at ``now_s``."""
        self.ripple_fraction = fraction
        self.ripple_hz = ripple_hz
        self.ripple_phase_rad = pi / 2.0 - 2.0 * pi * ripple_hz * now_s
