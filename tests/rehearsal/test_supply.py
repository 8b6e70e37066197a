"""Supply, contact and wiring, solved for the moment; against ohm's law by hand and a root finder
from outside.
"""

from math import asinh, pi, sin, sqrt

import pytest
from scipy.optimize import brentq

from controller.errors import RefusedError
from hardware.rehearsal.circuit import Circuit, RelayContact
from hardware.rehearsal.spec import RehearsalSpec
from hardware.rehearsal.supply import Supply


class Resistor:
    """A load with an electromotive force against the supply."""

    def __init__(self, ohm, emf_v=0.0):
        self.ohm = ohm
        self.open_voltage_v = emf_v

    def voltage_v(self, current_a):
        return self.open_voltage_v + self.ohm * current_a

    def slope_ohm(self, current_a):
        return self.ohm

    ripple_ohm = slope_ohm


def wired(supply, load, closed=True):
    contact = RelayContact(0.008)
    circuit = Circuit(supply, load, contact, shunt_ohm=0.02, contact_ohm=0.03)
    if closed:
        contact.follow(True, 0.0)
        contact.move(0.0)
    return circuit


def at(supply, load, now_s=100.0, **faults):
    circuit = wired(supply, load)
    for name, value in faults.items():
        setattr(circuit, name, value)
    return circuit.operating_point(now_s)


def test_voltage_source_through_resistances():
    """Plain voltage source through its resistances."""
    point = at(Supply(5.0, internal_ohm=0.05), Resistor(0.9))
    assert point.shunt_a == pytest.approx(5.0)  # 5 V over 0.05 + 0.03 + 0.02 + 0.9 ohm
    assert point.cell_v == pytest.approx(4.5)
    assert point.ripple_ohm == pytest.approx(0.9)
    assert point.cell_fraction == 1.0


@pytest.mark.parametrize("load_ohm", [0.01, 0.5, 1.5, 1.56, 1.57, 3.0, 100.0])
def test_current_limit_takes_over(load_ohm):
    """Current limit takes over where the voltage would give more."""
    point = at(Supply(5.0, 3.0, internal_ohm=0.05), Resistor(load_ohm))
    assert point.shunt_a == pytest.approx(min(3.0, 5.0 / (load_ohm + 0.1)), rel=1e-9)


def test_cell_matches_outside_solver():
    """Cell at a voltage source by an outside root finder."""
    cell = RehearsalSpec().make_cell()
    point = at(Supply(3.2, internal_ohm=0.05), cell)
    current_a = brentq(lambda a: cell.voltage_v(a) + 0.1 * a - 3.2, 0.0, 20.0, xtol=1e-12)
    assert point.shunt_a == pytest.approx(current_a, rel=1e-9)
    assert point.cell_v == pytest.approx(cell.voltage_v(current_a), rel=1e-9)


@pytest.mark.parametrize("bridge_ohm", [0.001, 0.03, 1.0, 1e6])
@pytest.mark.parametrize("limit_a", [None, 3.0])
def test_bridged_cell_matches_outside_solver(bridge_ohm, limit_a):
    """Bridged cell by an outside root finder."""
    cell = RehearsalSpec().make_cell()
    point = at(Supply(3.2, limit_a, internal_ohm=0.05), cell, bridge_ohm=bridge_ohm)

    def total_a(cell_a):
        return cell_a + cell.voltage_v(cell_a) / bridge_ohm

    cell_a = brentq(lambda a: cell.voltage_v(a) + 0.1 * total_a(a) - 3.2, -5.0, 20.0, xtol=1e-13)
    if limit_a is not None and total_a(cell_a) > limit_a:
        cell_a = brentq(lambda a: total_a(a) - limit_a, -5.0, 20.0, xtol=1e-13)
    assert point.cell_a == pytest.approx(cell_a, abs=1e-8)
    assert point.shunt_a == pytest.approx(total_a(cell_a), rel=1e-6)
    assert point.cell_fraction == pytest.approx(1.0 / (1.0 + cell.ripple_ohm(cell_a) / bridge_ohm))


def test_solver_finds_steep_knees():
    """A load like a diode pair, 20 decades between exchange and supply current."""

    class Knee:
        open_voltage_v = 0.0

        def voltage_v(self, current_a):
            return 0.05 * asinh(current_a / 1e-12)

        def slope_ohm(self, current_a):
            return 0.05 / sqrt(current_a**2 + 1e-24)

        ripple_ohm = slope_ohm

    circuit = wired(Supply(5.0), Knee())
    for voltage_v in (5.0, 0.2, 5.0, 0.9):
        circuit.supply.voltage_v = voltage_v
        point = circuit.operating_point(1.0)
        assert point.cell_v + 0.1 * point.shunt_a == pytest.approx(voltage_v, abs=1e-8)


def test_open_contact_shows_cell_voltage():
    """Open contact shows the cell's voltage."""
    circuit = wired(Supply(5.0, 3.0), Resistor(1.0, 0.25), closed=False)
    assert circuit.operating_point(1.0)[:3] == (0.0, 0.0, 0.25)


def test_low_supply_takes_nothing():
    """Supply below the cell's voltage takes nothing back."""
    assert at(Supply(0.2), Resistor(1.0, 0.25))[:3] == (0.0, 0.0, 0.25)
    assert at(Supply(0.2), Resistor(1.0, 0.25), bridge_ohm=1e9).shunt_a == 0.0


def test_dead_supply_drives_nothing():
    """Dead supply leaves the cell alone."""
    assert at(Supply(5.0, 3.0, dead=True), Resistor(1.0, 0.25))[:3] == (0.0, 0.0, 0.25)


def test_lead_off_shows_open_terminal():
    """Lead off shows the supply's open terminal and nothing with the relay off."""
    assert at(Supply(5.0, 3.0), Resistor(1.0, 0.25), lead_off=True)[:3] == (0.0, 0.0, 5.0)
    circuit = wired(Supply(5.0, 3.0), Resistor(1.0, 0.25), closed=False)
    circuit.lead_off = True
    assert circuit.operating_point(1.0)[:3] == (0.0, 0.0, 0.0)


def test_bridge_discharges_the_cell():
    """Bridge with the relay off discharges the cell."""
    circuit = wired(Supply(5.0, 3.0), Resistor(1.0, 0.25), closed=False)
    circuit.bridge_ohm = 0.25
    shunt_a, cell_a, cell_v, *_ = circuit.operating_point(1.0)
    assert shunt_a == 0.0
    assert cell_a == pytest.approx(-0.2)  # 0.25 V over 1.25 ohm
    assert cell_v == pytest.approx(0.05)


@pytest.mark.parametrize(("limit_a", "shunt_a"), [(3.0, -3.0), (None, -4.7 / 0.1)])
def test_clamp_holds_reversed_supply(limit_a, shunt_a):
    """Reversed supply is held by the clamp."""
    point = at(Supply(5.0, limit_a, polarity=-1), Resistor(1.0, 0.25))
    assert point.shunt_a == pytest.approx(shunt_a)
    assert point.cell_v == -0.3
    assert point.cell_a == pytest.approx(-0.55)


def test_reversed_supply_without_clamp():
    """Reversed supply that the cell takes without the clamp."""
    assert at(Supply(5.0, 0.4, polarity=-1), Resistor(1.0, 0.25))[:3] == pytest.approx(
        (-0.4, -0.4, -0.15)
    )
    point = at(Supply(0.2, polarity=-1), Resistor(1.0, 0.25))
    assert point.shunt_a == pytest.approx(-0.45 / 1.1)
    assert point.cell_v == pytest.approx(0.25 - 0.45 / 1.1)


def test_reversed_supply_disconnected():
    """Reversed supply with the lead off or dead."""
    assert at(Supply(5.0, 3.0, polarity=-1), Resistor(1.0), lead_off=True)[:3] == (-3.0, 0.0, -0.3)
    assert at(Supply(5.0, 3.0, polarity=-1, dead=True), Resistor(1.0, 0.25)).shunt_a == 0.0


def test_voltage_ramps_after_closing():
    """Voltage turned up after the contact has closed."""
    supply = Supply(5.0, ramp_s=10.0)
    assert at(supply, Resistor(0.9), now_s=0.0).shunt_a == 0.0
    assert at(supply, Resistor(0.9), now_s=4.0).shunt_a == pytest.approx(2.0)
    assert at(supply, Resistor(0.9), now_s=10.0).shunt_a == pytest.approx(5.0)


def test_runaway_loses_regulation_and_limit():
    supply = Supply(5.0, 3.0)
    supply.run_away()
    point = at(supply, Resistor(0.7))
    assert point.shunt_a == pytest.approx(15.0 / 1.25)  # 15 V behind 0.5 ohm
    assert point.cell_v > 6.0
    assert 1.3 * 3.0 < point.shunt_a < 16.0


def test_ripple_starts_at_its_crest():
    supply = Supply(5.0, ripple_fraction=0.1)
    supply.ripple_from_crest(0.48, 100.0, 1234.567)
    assert sin(2.0 * pi * 100.0 * 1234.567 + supply.ripple_phase_rad) == pytest.approx(1.0)


def test_contact_follows_after_delay():
    """Contact follows after its delay and forgets a short pulse."""
    contact = RelayContact(0.008)
    contact.follow(True, 1.0)
    assert contact.due_s == pytest.approx(1.008)
    contact.follow(False, 1.002)
    assert contact.due_s == pytest.approx(1.010)
    contact.move(1.010)
    assert not contact.closed
    assert contact.opened_at_s is None


def test_welded_contact_never_breaks():
    """Welded contact makes but never breaks."""
    contact = RelayContact(0.008)
    contact.weld(None)
    assert not contact.closed
    contact.follow(True, 1.0)
    contact.move(1.008)
    contact.follow(False, 2.0)
    contact.move(2.008)
    assert contact.closed
    assert contact.opened_at_s is None


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"voltage_v": 0.0}, "supply_v"),
        ({"limit_a": 0.0}, "supply_limit_a"),
        ({"internal_ohm": 0.0}, "supply_internal_ohm"),
        ({"ripple_fraction": 1.0}, "ripple_fraction"),
        ({"ripple_fraction": -0.1}, "ripple_fraction"),
        ({"ripple_fraction": float("nan")}, "ripple_fraction"),
        ({"ripple_hz": 0.0}, "ripple_hz"),
        ({"ramp_s": -1.0}, "ramp_s"),
    ],
)
def test_impossible_supplies_are_refused(changes, field):
    with pytest.raises(RefusedError) as caught:
        Supply(**{"voltage_v": 5.0, **changes})
    assert caught.value.field == field
