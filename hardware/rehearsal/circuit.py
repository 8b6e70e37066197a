"""Supply, relay contact, shunt, leads and cell, wired together: the currents and voltages."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import NamedTuple, Protocol

from controller.errors import BiteclockError
from hardware.rehearsal.supply import Supply

CLAMP_V = -0.3
"""Voltage at which the clamp across the cell, a Schottky diode, holds a reversed supply, V. Common
practice, no source."""

MAX_SOLVER_STEPS = 60
SOLVED_V = 1e-10


class UnsolvedError(BiteclockError, ArithmeticError):
    """The solver found no operating point of the circuit."""


class Load(Protocol):
    """The cell as the circuit sees it: a voltage that rises with the current."""

    @property
    def open_voltage_v(self) -> float:
        """Voltage without current, V."""

    def voltage_v(self, current_a: float) -> float:
        """Return the voltage for a current in A, V."""

    def slope_ohm(self, current_a: float) -> float:
        """Return the derivative of the voltage by the current, ohm, above 0."""

    def ripple_ohm(self, current_a: float) -> float:
        """Return the resistance for a ripple of the mains around a current in A, ohm."""


class OperatingPoint(NamedTuple):
    """DC currents and voltages at one moment.

    :param shunt_a: current through the shunt, negative when it plates.
    :param cell_a: the part of it that goes through the plate.
    :param cell_v: voltage behind the shunt to ground.
    :param ripple_ohm: ripple of that voltage over the ripple of the shunt current.
    :param cell_fraction: share of that ripple that goes through the plate.
    """

    shunt_a: float
    cell_a: float
    cell_v: float
    ripple_ohm: float
    cell_fraction: float


class RelayContact:
    """A normally open contact that follows its coil after a delay, unless it is welded.

    :param delay_s: from the pin's edge to the contact, the same for making and breaking.
    """

    def __init__(self, delay_s: float) -> None:
        self._delay_s = delay_s
        self._wanted = False
        self._welded = False
        self.closed = False
        self.closed_at_s = -inf
        self.opened_at_s: float | None = None
        self.due_s = inf
        """Time at which the contact moves, s; inf when it is at rest."""

    def follow(self, energised: bool, now_s: float) -> None:
        """Take the coil's new state."""
        self._wanted = energised
        self.due_s = now_s + self._delay_s

    def move(self, now_s: float) -> None:
        """Make or break, as the coil's state and a weld allow."""
        self.due_s = inf
        if self._wanted and not self.closed:
            self.closed = True
            self.closed_at_s = now_s
        elif self.closed and not self._wanted and not self._welded:
            self.closed = False
            self.opened_at_s = now_s

    def weld(self, shut_at_s: float | None) -> None:
        """Never break again. With a time in s, make at that time too."""
        self._welded = True
        if shut_at_s is not None and not self.closed:
            self.closed = True
            self.closed_at_s = shut_at_s


class Circuit:
    """The wiring: supply, contact, shunt (high side), lead, cell, and a clamp diode across the
    cell.

    Faults set ``lead_off`` (nothing behind the sensor is connected) and ``bridge_ohm`` (a
    resistance across the cell).

    :param contact_ohm: contact and wires in front of the sensor.
    """

    def __init__(
        self,
        supply: Supply,
        load: Load,
        contact: RelayContact,
        *,
        shunt_ohm: float,
        contact_ohm: float,
    ) -> None:
        self.supply = supply
        self.load = load
        self.contact = contact
        self.lead_off = False
        self.bridge_ohm: float | None = None
        self._front_ohm = shunt_ohm + contact_ohm
        self._guess_a = 0.0

    def operating_point(self, now_s: float) -> OperatingPoint:
        """Return the DC currents and voltages at a time in s."""
        supply = self.supply
        if supply.dead or not self.contact.closed:
            return self._idle(0.0)
        emf_v = supply.emf_v(now_s - self.contact.closed_at_s)
        if supply.polarity < 0:
            return self._reversed(emf_v)
        if self.lead_off or (self.bridge_ohm is None and emf_v <= self.load.open_voltage_v):
            return self._idle(emf_v)
        point = self._driven(emf_v, supply.limit_a)
        return point if point.shunt_a > 0.0 else self._idle(emf_v)

    def _idle(self, terminal_v: float) -> OperatingPoint:
        """Return the point without current in the shunt.

        With the lead off, the sensor sees the supply's terminal.
        """
        if self.lead_off:
            return OperatingPoint(0.0, 0.0, terminal_v, 0.0, 0.0)
        if self.bridge_ohm is None:
            return OperatingPoint(0.0, 0.0, self.load.open_voltage_v, 0.0, 0.0)
        return self._point(self._root(0.0, self._total_a, self._total_slope))._replace(shunt_a=0.0)

    def _driven(self, emf_v: float, limit_a: float | None) -> OperatingPoint:
        """Return the point while the supply drives the shunt, at its voltage or its current limit.

        Both are negative for a supply with swapped leads.
        """
        load = self.load
        series_ohm = self._front_ohm + self.supply.internal_ohm
        if limit_a is not None and self.bridge_ohm is None:
            cell_v = load.voltage_v(limit_a)
            if abs(cell_v + series_ohm * limit_a) <= abs(emf_v):
                return OperatingPoint(limit_a, limit_a, cell_v, load.ripple_ohm(limit_a), 1.0)

        def needed_v(cell_a: float) -> float:
            return load.voltage_v(cell_a) + series_ohm * self._total_a(cell_a)

        def needed_slope(cell_a: float) -> float:
            return load.slope_ohm(cell_a) + series_ohm * self._total_slope(cell_a)

        point = self._point(self._root(emf_v, needed_v, needed_slope))
        if limit_a is not None and abs(point.shunt_a) > abs(limit_a):
            point = self._point(self._root(limit_a, self._total_a, self._total_slope))
        return point

    def _reversed(self, emf_v: float) -> OperatingPoint:
        """Return the point with swapped leads: the clamp takes what the cell does not."""
        limit_a = self.supply.limit_a
        if not self.lead_off:
            point = self._driven(-emf_v, None if limit_a is None else -limit_a)
            if point.shunt_a >= 0.0:
                return self._idle(0.0)
            if point.cell_v >= CLAMP_V:
                return point
        clamped_a = max(0.0, emf_v + CLAMP_V) / (self._front_ohm + self.supply.internal_ohm)
        if limit_a is not None:
            clamped_a = min(clamped_a, limit_a)
        cell_a = (
            0.0 if self.lead_off else self._root(CLAMP_V, self.load.voltage_v, self.load.slope_ohm)
        )
        return OperatingPoint(-clamped_a, cell_a, CLAMP_V, 0.0, 0.0)

    def _total_a(self, cell_a: float, cell_v: float | None = None) -> float:
        """Return the shunt current for a cell current: the current of a bridge is added."""
        if self.bridge_ohm is None:
            return cell_a
        return (
            cell_a + (self.load.voltage_v(cell_a) if cell_v is None else cell_v) / self.bridge_ohm
        )

    def _total_slope(self, cell_a: float) -> float:
        return (
            1.0 if self.bridge_ohm is None else 1.0 + self.load.slope_ohm(cell_a) / self.bridge_ohm
        )

    def _point(self, cell_a: float) -> OperatingPoint:
        cell_v = self.load.voltage_v(cell_a)
        ripple_ohm = self.load.ripple_ohm(cell_a)
        cell_fraction = (
            1.0 if self.bridge_ohm is None else 1.0 / (1.0 + ripple_ohm / self.bridge_ohm)
        )
        total_a = self._total_a(cell_a, cell_v)
        return OperatingPoint(total_a, cell_a, cell_v, ripple_ohm * cell_fraction, cell_fraction)

    def _root(
        self, target: float, function: Callable[[float], float], slope: Callable[[float], float]
    ) -> float:
        """Return the cell current at which an increasing function of it reaches the target.

        Newton's method inside a bracket. Raises: UnsolvedError when it does not converge.
        """
        low_a, high_a = -inf, inf
        x = self._guess_a
        for _ in range(MAX_SOLVER_STEPS):
            miss = function(x) - target
            if abs(miss) < SOLVED_V:
                break
            if miss > 0.0:
                high_a = x
            else:
                low_a = x
            x -= miss / slope(x)
            if not low_a < x < high_a:
                x = 0.5 * (low_a + high_a)
        else:
            raise UnsolvedError("hardware.circuit.unsolved", current_a=x, target=target)
        self._guess_a = x
        return x
