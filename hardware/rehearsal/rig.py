"""The rehearsal rig: supply, relay contact, shunt, cell and sensor chip on one virtual clock."""

from __future__ import annotations

import threading
from bisect import insort
from collections.abc import Callable, Iterable
from dataclasses import replace
from math import ceil, inf, pi
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin

from controller.units import MM3_PER_CM3
from hardware.clock import VirtualClock, wait_unlocked
from hardware.rehearsal.circuit import Circuit, RelayContact
from hardware.rehearsal.faults.by_name import FAULTS
from hardware.rehearsal.faults.kinds import Fault, Parts
from hardware.rehearsal.front_table import Spot
from hardware.rehearsal.spec import RehearsalSpec, RehearsalTruth
from hardware.rehearsal.thermometer import BathThermometer
from hardware.rehearsal.waveform import Waveform
from hardware.rehearsal.wire import I2cWire

MAX_STEP_S = 0.07
"""Longest step with constant DC, s: about one averaged conversion. In it, heat and area change by
1e-4 at most."""
STEPS_PER_RAMP = 50


class RelayPin(MockPin):  # type: ignore[misc]
    """A mock pin with the relay driver's pull-down behind it.

    It calls ``watcher`` before its level changes.
    """

    watcher: Callable[[bool], None] | None = None

    def _set_function(self, value: str) -> None:
        super()._set_function(value)
        if value == "input":
            self._change_state(False)

    def _change_state(self, value: bool) -> bool:
        if self.watcher is not None and value != self._state:
            self.watcher(value)
        has_changed = bool(super()._change_state(value))
        del self.states[:-1]  # else the mock keeps every level for as long as the daemon runs
        return has_changed


class RehearsalRig:
    """Everything behind the Pi's pins, in virtual time.

    Give ``bus`` to the sensor's driver and ``pin_factory`` to gpiozero. The truth is for tests and
    the summary only. Another thread may switch the relay: the rig first steps to the clock's time
    with the old state. The lock is never held while the clock moves.

    :param faults: what goes wrong, and when.
    """

    def __init__(
        self, spec: RehearsalSpec, clock: VirtualClock, faults: Iterable[Fault] = ()
    ) -> None:
        self.spec = spec
        self._clock = clock
        self._lock = threading.RLock()
        self._at_s = clock.monotonic_s()
        self._charge_coulombs = 0.0
        self._relay_on = False
        self._first_on_at_s: float | None = None
        self._fault_at_s: float | None = None
        self._off_after_fault_s: float | None = None
        self._armed: list[tuple[float, str]] = []
        self._evolving: list[tuple[float, Callable[[Parts, float], None]]] = []
        self._shunt_ohm = spec.shunt_ohm
        self._cell = spec.make_cell()
        self._contact = RelayContact(spec.contact_delay_s)
        self._circuit = Circuit(
            spec.make_supply(self._at_s),
            self._cell,
            self._contact,
            shunt_ohm=spec.shunt_ohm,
            contact_ohm=spec.contact_ohm,
        )
        self._chip = spec.make_chip()
        self._chip.power_on(self._at_s)
        self._wire = I2cWire(
            self._chip,
            clock,
            address=spec.i2c_address,
            bus_hz=spec.i2c_hz,
            lock=self._lock,
            catch_up=self._advance_to,
            transfer=wait_unlocked if spec.real_transfers else None,
        )
        self._thermometer = BathThermometer()
        self._parts = Parts(self._circuit, self._chip, self._wire, self._thermometer)
        self.pin_factory: Any = MockFactory()
        self.pin_factory.pin(spec.relay_pin, pin_class=RelayPin).watcher = self._pin_changes
        self._waiting = list(faults)
        for fault in [
            fault
            for fault in self._waiting
            if fault.at_s == 0.0 and not FAULTS[fault.name].momentary
        ]:
            self._waiting.remove(fault)
            self._begin(fault.name, self._at_s, from_start=True)
        self._reschedule()

    @property
    def bus(self) -> I2cWire:
        """The I2C bus, busio-like."""
        return self._wire

    @property
    def true_charge_coulombs(self) -> float:
        """Charge through the shunt up to now, C."""
        return self.truth().charge_coulombs

    @property
    def true_depth_mm(self) -> float:
        """Depth of the etched floor now, mm."""
        return self.truth().depth_mm

    @property
    def bath_degc(self) -> float:
        """Temperature of the bath at the end of the last step, degC.

        While the sensor is polled, that is at most one conversion ago.
        """
        return self._cell.bath_degc

    @property
    def measured_degc(self) -> float | None:
        """What the thermometer in the bath reads, degC, or None when it is silent."""
        return None if self._thermometer.is_silent else self.bath_degc

    def hang(self, spec: RehearsalSpec) -> None:
        """Hang the plate of ``spec`` into the bath and set the supply to its voltage and limit.

        Charge, depth and heat count from 0 again. The bath keeps its temperature. Wiring, sensor,
        ripple and faults stay as they are.
        """
        with self._lock:
            self._advance_to(self._clock.monotonic_s())
            cell = replace(spec, bath_degc=self._cell.bath_degc).make_cell()
            self._circuit.supply.turn_to(spec.supply_v, spec.supply_limit_a)
            self._circuit.load = self._cell = cell
            self._charge_coulombs = 0.0
            self.spec = spec

    def truth(self) -> RehearsalTruth:
        """Return what really happened since the plate was hung, up to the clock's time."""
        with self._lock:
            self._advance_to(self._clock.monotonic_s())
            cell = self._cell
            return RehearsalTruth(
                charge_coulombs=self._charge_coulombs,
                cell_charge_coulombs=cell.charge_coulombs,
                depth_mm=cell.front.depth_mm,
                deepest_mm=cell.front.deepest_mm,
                volume_mm3=cell.volume_mm3,
                mass_g=cell.volume_mm3 * self.spec.density_g_per_cm3 / MM3_PER_CM3,
                heat_j=cell.heat_j,
                bath_degc=cell.bath_degc,
                relay_on=self._relay_on,
                contact_closed=self._contact.closed,
                first_on_at_s=self._first_on_at_s,
                fault_at_s=self._fault_at_s,
                off_after_fault_s=self._off_after_fault_s,
            )

    def depth_of_place_mm(self, name: str, x_mm: float, y_mm: float) -> float | None:
        """Return the true depth of a place of the plan now, mm, or None where the model has none.

        :param name: of the place, as in the plan.
        :param x_mm, y_mm: from the artwork's top left corner.
        """
        table = self.spec.front_table
        for spot, ratio in () if table is None else table.spots:
            if spot == Spot(name, x_mm, y_mm):
                with self._lock:
                    self._advance_to(self._clock.monotonic_s())
                    return self._cell.depth_mm(ratio)
        return None

    def _pin_changes(self, high: bool) -> None:
        """Step to the clock's time with the relay's old level, then take the new one."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            self._advance_to(now_s)
            self._relay_on = high
            self._contact.follow(high, now_s)
            if high and self._first_on_at_s is None:
                self._first_on_at_s = now_s
                if self._fault_at_s is not None:
                    self._fault_at_s = now_s
                for fault in self._waiting:
                    insort(self._armed, (now_s + fault.at_s, fault.name))
                self._waiting.clear()
            self._reschedule()

    def _advance_to(self, until_s: float) -> None:
        """Step to a time in s, with a halt at every event on the way.

        A time in the past changes nothing.
        """
        event_s = self._wire.event_s
        while event_s <= until_s:
            self._steps_to(event_s)
            self._fire(event_s)
            event_s = self._reschedule()
        self._steps_to(until_s)

    def _reschedule(self) -> float:
        self._wire.event_s = min(self._contact.due_s, self._armed[0][0] if self._armed else inf)
        return self._wire.event_s

    def _fire(self, now_s: float) -> None:
        """Carry out the events that are due."""
        while self._armed and self._armed[0][0] <= now_s:
            self._begin(self._armed.pop(0)[1], now_s, from_start=False)
        if self._contact.due_s <= now_s:
            self._contact.move(now_s)
            if (
                self._contact.opened_at_s == now_s
                and self._fault_at_s is not None
                and self._off_after_fault_s is None
            ):
                self._off_after_fault_s = now_s - self._fault_at_s

    def _begin(self, name: str, now_s: float, *, from_start: bool) -> None:
        fault = FAULTS[name]
        fault.begin(self._parts, now_s, from_start)
        if fault.evolve is not None:
            self._evolving.append((now_s, fault.evolve))
        if self._fault_at_s is None:
            self._fault_at_s = now_s

    def _steps_to(self, until_s: float) -> None:
        span_s = until_s - self._at_s
        if span_s <= 0.0:
            return
        longest_s = MAX_STEP_S
        supply = self._circuit.supply
        if (
            supply.ramp_s
            and self._contact.closed
            and self._at_s < self._contact.closed_at_s + supply.ramp_s
        ):
            longest_s = min(longest_s, supply.ramp_s / STEPS_PER_RAMP)
        start_s = self._at_s
        count = ceil(span_s / longest_s)
        for index in range(1, count):
            self._step(start_s + span_s * index / count)
        self._step(until_s)

    def _step(self, until_s: float) -> None:
        """Make one step with constant DC: feed the chip, and give charge and heat to the cell."""
        from_s = self._at_s
        seconds = until_s - from_s
        for begun_at_s, evolve in self._evolving:
            evolve(self._parts, from_s - begun_at_s)
        supply = self._circuit.supply
        point = self._circuit.operating_point(0.5 * (from_s + until_s))
        ripple_a = supply.ripple_fraction * point.shunt_a
        wave = Waveform(
            point.shunt_a * self._shunt_ohm,
            ripple_a * self._shunt_ohm,
            point.cell_v,
            ripple_a * point.ripple_ohm,
            2.0 * pi * supply.ripple_hz,
            supply.ripple_phase_rad,
        )
        self._chip.feed(from_s, until_s, wave)
        ripple_coulombs = ripple_a * wave.ripple_integral_s(from_s, until_s) if ripple_a else 0.0
        self._charge_coulombs += point.shunt_a * seconds + ripple_coulombs
        cell_ripple_a = ripple_a * point.cell_fraction
        self._cell.advance(
            seconds,
            point.cell_a,
            point.cell_a * seconds + ripple_coulombs * point.cell_fraction,
            (point.cell_v * point.cell_a + 0.5 * wave.bus_ripple_v * cell_ripple_a) * seconds,
        )
        self._at_s = until_s
