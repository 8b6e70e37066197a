"""Each fault of the rehearsal rig, as the real driver sees it."""

from math import pi, sin

import pytest

from controller.errors import RefusedError, SensorError, SensorResetError
from hardware.rehearsal.faults.by_name import FAULTS, Fault, parse_fault
from hardware.rehearsal.spec import RehearsalSpec
from tests.kits.message_kit import raises_message
from tests.kits.rehearsal_rig import POLL_S, Rig

NAMES = [
    "lead_off", "short_circuit", "supply_runaway", "supply_lost", "polarity_reversed",
    "relay_welded", "chip_reset",
    "i2c_errors", "bus_stuck", "sample_stuck", "thermometer_silent", "ripple_worst", "resist_leak",
    "stirrer_stopped", "bath_warming",
    "dendrite_bridge", "contact_corroding", "one_piece_off", "plate_lifted", "black_film",
]  # fmt: skip


def before_and_after(name, seconds=10.0, spec=None):
    """Return the last sample before a fault in mid-run and those of the second after it."""
    rig = Rig(spec, faults=[f"{name}@{seconds:g}"])
    rig.relay.on()
    before = rig.poll_for(seconds)[-1]
    after = rig.poll_for(1.0)
    assert before.current_a == pytest.approx(3.0, abs=0.02)
    assert before.voltage_v == pytest.approx(3.0, abs=0.2)
    return rig, before, after


def test_every_name_is_there():
    assert list(FAULTS) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_parse_fault(name):
    assert parse_fault(f"{name}@120") == Fault(name, 120.0)
    assert parse_fault(f"{name}@0.5") == Fault(name, 0.5)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "lead_off",
        "lead_off@",
        "@5",
        "lead@5",
        "lead_off@-1",
        "lead_off@nan",
        "lead_off@inf",
        "lead_off@5@6",
    ],
)
def test_bad_fault_refused_with_names(text):
    """What cannot be parsed is refused with the names."""
    with raises_message(
        RefusedError, "hardware.fault.unknown", fault=text, names=", ".join(FAULTS)
    ) as caught:
        parse_fault(text)
    assert (caught.value.field, caught.value.limit) == ("fault", "NAME@SECONDS")


def test_lead_off_shows_compliance():
    """Lead off takes the current and shows the supply's compliance."""
    rig, _, after = before_and_after("lead_off")
    assert after[2].current_a == pytest.approx(0.0, abs=0.005)
    assert after[2].voltage_v == pytest.approx(rig.spec.supply_v, abs=0.01)


def test_short_circuit_at_constant_current():
    """Short circuit keeps the current and takes the voltage."""
    rig, _, after = before_and_after("short_circuit")
    assert after[2].current_a == pytest.approx(3.0, abs=0.02)
    assert after[2].voltage_v == pytest.approx(3.0 * 0.03, abs=0.03)
    depth_mm = rig.model.true_depth_mm
    rig.poll_for(5.0)
    assert rig.model.true_depth_mm == depth_mm  # the charge goes past the plate


def test_short_circuit_at_constant_voltage():
    """Short circuit at a voltage source is an over current."""
    rig = Rig(RehearsalSpec(supply_limit_a=None, supply_v=3.2), faults=["short_circuit@5"])
    rig.relay.on()
    rig.poll_for(5.0)
    after = rig.poll_for(1.0)[2]
    assert after.saturated  # 3.2 V over 0.11 ohm is 29 A
    assert after.current_a == pytest.approx(16.0)


def test_supply_runaway_exceeds_limits():
    """Supply runaway exceeds both limits inside the range."""
    _, _, after = before_and_after("supply_runaway")
    assert after[2].voltage_v > 6.5
    assert 1.3 * 3.0 * 1.2 < after[2].current_a < 16.0
    assert not after[2].saturated


def test_supply_lost_leaves_cell_voltage():
    """Supply lost leaves the cell's voltage."""
    rig, _, after = before_and_after("supply_lost")
    assert after[2].current_a == pytest.approx(0.0, abs=0.005)
    assert after[2].voltage_v < 1.0
    assert rig.poll_for(5.0)[-1].voltage_v == pytest.approx(rig.spec.rest_v, abs=0.01)


def test_polarity_reversed_turns_current():
    """Polarity reversed turns the current and reads no voltage."""
    rig, _, after = before_and_after("polarity_reversed")
    assert after[2].current_a == pytest.approx(-3.0, abs=0.02)
    assert after[2].voltage_v == 0.0
    charge_coulombs, depth_mm = rig.model.true_charge_coulombs, rig.model.true_depth_mm
    rig.poll_for(5.0)
    assert rig.model.true_charge_coulombs < charge_coulombs - 10.0
    assert rig.model.true_depth_mm == depth_mm


def test_welded_relay_conducts_after_off():
    """Welded relay goes on after off."""
    rig, _, _ = before_and_after("relay_welded")
    rig.relay.off()
    after = rig.poll_for(1.0)
    assert after[-1].current_a == pytest.approx(3.0, abs=0.02)
    assert after[-1].voltage_v > 2.5
    truth = rig.model.truth()
    assert not truth.relay_on
    assert truth.contact_closed
    assert truth.off_after_fault_s is None


def test_welded_relay_without_plate():
    """Welded relay shows as cell voltage with the plate out."""
    rig = Rig(faults=["relay_welded@0", "lead_off@0"])
    sample = rig.poll_for(0.3)[-1]
    assert sample.current_a == pytest.approx(0.0, abs=0.005)
    assert sample.voltage_v == pytest.approx(rig.spec.supply_v, abs=0.01)


def test_chip_reset_raised_once():
    """A chip reset is raised once, and the chip is set up again."""
    rig = Rig(faults=["chip_reset@10"])
    rig.relay.on()
    rig.poll_for(9.9)
    with raises_message(SensorResetError, "hardware.sensor.power_lost", found=0x399F):
        rig.poll_for(0.3)
    assert len(rig.poll_for(5.0)) > 60


def test_i2c_errors_are_forgiven_once():
    rig = Rig(faults=["i2c_errors@10"])
    rig.relay.on()
    rig.poll_for(9.9)
    with raises_message(SensorError, "hardware.sensor.failed_twice") as caught:
        rig.poll_for(1.0)
    assert "Remote I/O error" in str(caught.value.message.values["error"])
    assert POLL_S < rig.clock.monotonic_s() - rig.model.truth().fault_at_s < 2.1 * POLL_S


def test_stuck_bus_fails_at_once():
    """Stuck bus is an error at the first time out."""
    rig = Rig(faults=["bus_stuck@10"])
    rig.relay.on()
    rig.poll_for(9.9)
    with raises_message(SensorError, "hardware.sensor.bus_stuck") as caught:
        rig.poll_for(1.0)
    assert caught.value.message.values["took_s"] == pytest.approx(1.02, abs=0.01)
    assert 1.02 < rig.clock.monotonic_s() - rig.model.truth().fault_at_s < 1.02 + 1.1 * POLL_S


def test_stuck_sample_never_fresh():
    """Stuck sample gives no fresh conversion any more."""
    rig, _, after = before_and_after("sample_stuck")
    assert len(after) <= 1
    assert rig.poll_for(10.0) == []


def test_worst_ripple_in_quick_looks():
    """A mean over T leaves sin(pi f T) / (pi f T) of a sine. T: 16 shunt readings of 0.532 ms.

    Source: INA219 data sheet, ADC table.
    """
    rig, _, after = before_and_after("ripple_worst", spec=RehearsalSpec(supply_v=9.0))
    for sample in after[1:] + rig.poll_for(60.0):
        assert sample.current_a == pytest.approx(3.0, abs=3.0 * 0.48 * 0.06)
    quick = []
    for _ in range(50):
        rig.sensor.look_again()
        quick += rig.poll_for(POLL_S * 1.1)
    turns = pi * 100.0 * 16 * 0.532e-3
    left = sin(turns) / turns
    looked_a = [sample.current_a for sample in quick if not sample.averaged]
    assert max(looked_a) == pytest.approx(3.0 * (1.0 + 0.48 * left), rel=0.02)
    assert min(looked_a) == pytest.approx(3.0 * (1.0 - 0.48 * left), rel=0.02)
    assert (
        max(sample.voltage_v for sample in after) > 3.8
    )  # the bus conversion is a single one and carries the peak


@pytest.mark.parametrize("name", ["i2c_errors", "bus_stuck"])
def test_bus_faults_from_the_start(name):
    """Bus faults from the start make the construction of the sensor fail."""
    with raises_message(SensorError, "hardware.sensor.absent"):
        Rig(faults=[f"{name}@0"])


def test_stuck_sample_from_the_start():
    """Stuck sample from the beginning."""
    assert Rig(faults=["sample_stuck@0"]).poll_for(5.0) == []


def test_welded_relay_from_the_start():
    """Welded relay from the beginning shows before anything is turned on."""
    sample = Rig(faults=["relay_welded@0"]).poll_for(0.3)[-1]
    assert sample.current_a == pytest.approx(3.0, abs=0.02)


def test_reversed_polarity_from_the_start():
    """Reversed polarity from the beginning shows with the relay."""
    rig = Rig(faults=["polarity_reversed@0"])
    assert rig.poll_for(0.3)[-1].current_a == pytest.approx(0.0, abs=0.005)
    rig.relay.on()
    assert rig.poll_for(0.3)[-1].current_a == pytest.approx(-3.0, abs=0.02)


def test_reset_waits_for_relay():
    """Reset at 0 comes with the relay."""
    rig = Rig(faults=["chip_reset@0"])
    assert rig.poll_for(1.0)
    rig.relay.on()
    with pytest.raises(SensorResetError):
        rig.poll_for(0.3)


def test_time_of_fault_from_start():
    """Fault from the beginning counts its time from turning on."""
    rig = Rig(faults=["supply_lost@0"])
    rig.clock.advance(20.0)
    rig.relay.on()
    rig.clock.advance(2.0)
    rig.relay.off()
    rig.clock.advance(0.1)
    assert rig.model.truth().off_after_fault_s == pytest.approx(2.008)


def test_faults_come_in_order():
    """Faults come in their order and count from the first turning on."""
    rig = Rig(faults=["supply_lost@8", "relay_welded@4"])
    rig.relay.on()
    rig.clock.advance(2.0)
    rig.relay.off()
    rig.clock.advance(1.0)
    rig.relay.on()
    rig.clock.advance(3.0)
    rig.relay.off()
    assert rig.poll_for(0.5)[-1].current_a == pytest.approx(3.0, abs=0.02)
    assert rig.poll_for(2.5)[-1].current_a == pytest.approx(0.0, abs=0.005)
