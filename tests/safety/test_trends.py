"""Slow faults by the conductance: each rule at its limit."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from controller.messages import TripReason
from controller.safety.conductance import (
    LEAST_REFERENCE,
    SCATTERS,
    STEP_S,
    Block,
    change_since,
    without_slope,
)
from controller.safety.trends import CONDUCTIVITY_PER_K, Expected
from controller.texts import Message
from hardware.rehearsal.circuit import Circuit, RelayContact
from hardware.rehearsal.spec import RehearsalSpec
from tests.kits.trend_walk import BLOCK_S, LIMITS, RISEN, WITHIN_S, scattering, step_at, walk


@pytest.mark.parametrize(("factor", "is_seen"), [(1.09, False), (1.11, True), (1.5, True)])
@pytest.mark.parametrize("mode", ["constant-current", "constant-voltage"])
def test_conductance_step_pauses(factor: float, is_seen: bool, mode: str) -> None:
    """A step above the limit pauses, in either supply mode."""

    def reading(t: float) -> tuple[float, float]:
        gain = factor if t >= 200.0 else 1.0
        return (3.0, 3.0 / gain) if mode == "constant-current" else (3.0 * gain, 3.0)

    at_s, finding, _ = walk(reading, 400.0)
    assert (finding is not None) is is_seen
    if finding is not None:
        assert finding.reason is TripReason.RESIST_LEAK
        assert at_s - 200.0 <= WITHIN_S
        assert 10.0 < finding.value <= 100 * (factor - 1) + 0.5, (
            "less than all when a mean straddles the step"
        )
        assert finding.limit == pytest.approx(10.0)
        assert finding.unit == "%"


def test_step_after_blind_time() -> None:
    """A step is seen once there are enough means to compare it with."""
    at_s, finding, _ = walk(step_at(LIMITS.trend_blind_s + 11.5, 1.5), 300.0)
    assert finding is not None
    assert 69.0 <= at_s <= 75.0, "five means from 30 s on are 30 s old at 70 s"


@pytest.mark.parametrize(("factor", "is_seen"), [(1.20, False), (1.40, True)])
def test_rough_run_raises_limit(factor: float, is_seen: bool) -> None:
    """The means are 4 % apart. Six times that is 24 % in ln, 27 %.

    The median of the newest is half a scatter off.
    """
    assert SCATTERS == 6.0
    _, finding, _ = walk(scattering(0.04, step_at(200.0, factor)), 400.0)
    assert (finding is not None) is is_seen
    if finding is not None:
        assert finding.limit == pytest.approx(100 * math.expm1(0.24), abs=0.2)
    _, calm, _ = walk(scattering(0.004, step_at(200.0, factor)), 400.0)
    assert calm is not None
    assert calm.limit == pytest.approx(10.0)


@pytest.mark.parametrize("leak_fraction", [0.4, 0.6, 1.0])
@pytest.mark.parametrize("limit_a", [3.0, None])
def test_stated_area_is_true(leak_fraction: float, limit_a: float | None) -> None:
    """Against the rehearsal's default cell, in constant current and in constant voltage."""
    spec = RehearsalSpec(
        supply_limit_a=limit_a, supply_v=5.0 if limit_a else RehearsalSpec().set_point_v(3.0)
    )
    cell, contact = spec.make_cell(), RelayContact(0.0)
    contact.closed, contact.closed_at_s = True, 0.0
    circuit = Circuit(
        spec.make_supply(0.0), cell, contact, shunt_ohm=spec.shunt_ohm, contact_ohm=spec.contact_ohm
    )

    def flowing() -> tuple[float, float]:
        cell.advance(1e-6, 0.0, 0.0, 0.0)
        point = circuit.operating_point(1.0)
        return point.shunt_a, point.cell_v

    tight = flowing()
    cell.leak_mm2 = leak_fraction * cell.front.exposed_area_mm2
    leaking = flowing()
    _, finding, _ = walk(lambda t: leaking if t >= 200.0 + 0.9 * BLOCK_S else tight, 400.0)
    assert finding is not None
    assert finding.cause is not None
    assert finding.cause.key == "guards.resist_leak.some_area"
    area = finding.cause.values
    assert float(area["least_percent"]) <= 100.0 * leak_fraction <= float(area["most_percent"])


def test_large_step_without_figures() -> None:
    """A large step is more likely a bridge, so no area is stated."""
    _, finding, _ = walk(step_at(200.0, 1.9), 400.0)
    assert finding is not None
    assert finding.cause == Message("guards.resist_leak.much_area")


def test_settling_hides_no_leak() -> None:
    """A leak shows although the cell is still settling."""
    _, finding, _ = walk(
        lambda t: (3.0, 3.0 * math.exp(0.2 * math.exp(-t / 20.0)) / (1.15 if t >= 100.0 else 1.0)),
        400.0,
    )
    assert finding is not None


@pytest.mark.parametrize("at_s", [50.0, 200.0])
def test_slow_leak_within_fifteen_seconds(at_s: float) -> None:
    """The rehearsal's leak: bare metal of six tenths of the open area within 8 s.

    About 17 % in constant current.
    """
    at, finding, _ = walk(
        lambda t: (3.0, 3.0 / (1.0 + 0.17 * min(1.0, max(0.0, (t - at_s) / 8.0)))), 400.0
    )
    assert finding is not None
    assert at - max(at_s, LIMITS.trend_blind_s + LEAST_REFERENCE * BLOCK_S + 30.0) <= 15.0


@pytest.mark.parametrize(("warming_k", "warns"), [(10.0, False), (None, True)])
def test_warming_explains_its_share(warming_k: float | None, warns: bool) -> None:
    """1.33 % per K: 10 K between 80 and 180 s raise the conductance by e^0.133.

    Source: Landolt-Boernstein, 1.017 mol/L nitric acid, cited in a maker's manual.
    """
    assert CONDUCTIVITY_PER_K == 0.0133

    def ramp(t: float) -> float:
        return min(1.0, max(0.0, (t - 80.0) / 100.0))

    def expected(t: float) -> Expected:
        return Expected(1.0, None if warming_k is None else warming_k * ramp(t))

    _, finding, warned = walk(lambda t: (3.0, 3.0 * math.exp(-0.133 * ramp(t))), 300.0, expected)
    assert finding is None
    assert any(warned) is warns


def test_unexplained_drift_warns() -> None:
    """A drift that neither growth nor warming explains warns and does not pause."""
    _, finding, warned = walk(
        lambda t: (3.0, 3.0 * (1.0 - 0.10 * min(1.0, max(0.0, (t - 80.0) / 100.0)))), 300.0
    )
    assert finding is None
    assert warned[-1] == (Message("guards.warning.drift"),)
    _, _, explained = walk(
        lambda t: (3.0, 3.0 * (1.0 - 0.10 * min(1.0, max(0.0, (t - 80.0) / 100.0)))),
        300.0,
        lambda t: Expected(1.0 / (1.0 - 0.10 * min(1.0, max(0.0, (t - 80.0) / 100.0))), None),
    )
    assert not any(explained)


@pytest.mark.parametrize("at_s", [80.0, 200.0])
def test_risen_resistance_warns(at_s: float) -> None:
    """The warning comes within three means, even before there is a minute to compare with."""
    _, finding, warned = walk(step_at(at_s, 1 / 1.11), at_s + WITHIN_S)
    assert finding is None
    assert RISEN in warned[-1]
    assert all(word in str(RISEN) for word in ("stirring", "film", "contact"))
    _, _, quiet = walk(step_at(at_s, 1 / 1.09), at_s + 100.0)
    assert not any(quiet)


def test_creeping_resistance_warns() -> None:
    """It rises so evenly that the slope before explains each step.

    Only the comparison with a minute ago shows it.
    """

    def creeping(per_minute: float) -> Callable[[float], tuple[float, float]]:
        return lambda t: (3.0, 3.0 * math.exp(per_minute * max(0.0, t - 100.0) / 60.0))

    _, finding, warned = walk(creeping(0.12), 400.0, pieces=2)
    assert finding is None
    assert RISEN in warned[-1]
    _, _, quiet = walk(creeping(0.07), 400.0, pieces=2)
    assert not any(RISEN in warnings for warnings in quiet)


@pytest.mark.parametrize(("factor", "is_seen"), [(1.09, False), (1.11, True), (1.4, True)])
def test_several_pieces_pause(factor: float, is_seen: bool) -> None:
    """Several pieces pause when the resistance jumps up; a single one does not."""
    at_s, finding, _ = walk(step_at(200.0, 1 / factor), 400.0, pieces=2)
    assert (finding is not None) is is_seen
    if finding is not None:
        assert finding.reason is TripReason.LOST_CONTACT
        assert 10.0 < finding.value <= 100 * (factor - 1) + 0.5
        assert at_s <= 200.0 + WITHIN_S
    _, alone, _ = walk(step_at(200.0, 1 / factor), 400.0)
    assert alone is None


def test_failing_contact_pauses_early() -> None:
    """The resistance of the contact doubles each 30 s.

    The slope of the minute before explains less of a step than its own slope would.
    """
    at_s, finding, _ = walk(
        lambda t: (3.0, 3.0 * (1.0 + 0.02 * 2.0 ** (max(0.0, t - 150.0) / 30.0))), 400.0, pieces=2
    )
    assert finding is not None
    assert finding.reason is TripReason.LOST_CONTACT
    assert 0.02 * 2.0 ** ((at_s - 150.0) / 30.0) < 0.6


@pytest.mark.parametrize(("factor", "warns"), [(1.18, False), (1.22, True)])
def test_voltage_over_median_warns(factor: float, warns: bool) -> None:
    """The voltage rises in small steps, so that no other rule acts first."""
    _, finding, warned = walk(
        lambda t: (3.0, 3.0 * (1.0 + (factor - 1.0) * min(1.0, max(0.0, (t - 200.0) / 50.0)))),
        290.0,
    )
    assert finding is None
    assert any(Message("guards.warning.voltage") in warnings for warnings in warned) is warns


def test_voltage_half_over_median_trips() -> None:
    """The limit is 1.5 times the median of 60 to 120 s ago. Just below it nothing trips."""
    at_s, finding, _ = walk(step_at(200.0, 1 / 1.52), 400.0)
    assert finding is not None
    assert finding.reason is TripReason.OVER_VOLTAGE
    assert finding.limit == pytest.approx(4.5)
    assert at_s - 200.0 <= 2 * BLOCK_S + 0.1
    _, below, _ = walk(step_at(200.0, 1 / 1.48), 400.0)
    assert below is None


# --- the supply is turned by hand -----------------------------------------------------------------


def turned(
    at_s: float, voltage: float, conductance: float, then: Callable[[float], float] = lambda _t: 1.0
) -> Callable[[float], tuple[float, float]]:
    """A cell at 3 V and 3 A whose voltage and conductance change by a factor each."""

    def reading(t: float) -> tuple[float, float]:
        volts, siemens = (3.0 * voltage, conductance) if t >= at_s else (3.0, 1.0)
        siemens *= then(t)
        return volts * siemens, volts

    return reading


def test_raised_supply_is_no_leak() -> None:
    """A leak would lower the voltage or leave it as it is.

    Here it rises by more than a quarter of the rise in conductance.
    """
    _, finding, warned = walk(turned(200.0, 1.15, 1.2), 300.0)
    assert finding is None
    assert not any(
        warning.key == "guards.warning.drift" for warnings in warned for warning in warnings
    )
    _, leak, _ = walk(turned(200.0, 1.0, 1.2), 300.0)
    assert leak is not None
    assert leak.reason is TripReason.RESIST_LEAK


def test_raised_supply_is_no_drift() -> None:
    """10 % over a minute, in steps too small for a leak, warn.

    If the voltage rises too, they do not.
    """

    def creeping(voltage: float) -> Callable[[float], tuple[float, float]]:
        def reading(t: float) -> tuple[float, float]:
            share = min(1.0, max(0.0, (t - 80.0) / 100.0))
            volts = 3.0 * (1.0 + voltage * share)
            return volts * (1.0 + 0.10 * share), volts

        return reading

    _, _, warned = walk(creeping(0.0), 280.0)
    assert any(warning.key == "guards.warning.drift" for warning in warned[-1])
    _, finding, warned = walk(creeping(0.10), 280.0)
    assert finding is None
    assert not any(
        warning.key == "guards.warning.drift" for warnings in warned for warning in warnings
    )


def test_raised_supply_hides_no_leak() -> None:
    """Its slope does not explain a step a minute later."""
    at_s, finding, _ = walk(turned(100.0, 1.12, 1.15, lambda t: 1.12 if t >= 167.0 else 1.0), 300.0)
    assert finding is not None
    assert finding.reason is TripReason.RESIST_LEAK
    assert at_s - 167.0 <= WITHIN_S


def test_late_raise_passes() -> None:
    """A supply that is raised just before the grace for contact ends has no risen voltage.

    Until then it gives a third of the voltage. The means before that are not compared with.
    """
    assert LIMITS.contact_grace_s == 20.0
    _, finding, warned = walk(lambda t: (3.0, 3.0) if t >= 17.0 else (1.0, 1.0), 200.0)
    assert finding is None
    assert not any("own mean" in text for texts in warned for text in texts)


def test_slope_is_subtracted() -> None:
    """A rise of 0.4 % each second with a jump of 0.2 in ln: the jump is left of the step.

    The step is from 163 s (the middle of 156 to 170 s) to 198 s (the middle of the newest three).
    The slope is subtracted from 164 s (the fifth of the eight) to 200 s: one second too much.
    """
    slope, jump, every_s = 0.004, 0.2, 2.0
    blocks = tuple(
        Block(k * every_s, 3.0, slope * k * every_s + (jump if k >= 98 else 0.0), 0.0)
        for k in range(101)
    )
    step = change_since(blocks, 0.0, STEP_S, 0.0)
    assert step.ln == pytest.approx(jump + slope * (198.0 - 163.0))
    assert without_slope(blocks, 0.0, step).ln == pytest.approx(jump - slope * 1.0)
