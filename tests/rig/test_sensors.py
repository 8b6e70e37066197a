"""The sensors' specifications against their data sheets, and what the controller's policy asks of
any of them.

Source of the INA219's figures: Texas Instruments, INA219 data sheet, SBOS448 Rev G.
"""

from __future__ import annotations

import inspect

import pytest

from controller.config import Settings, parse_settings
from controller.planning.plan import LIMIT_TO_RANGE_FRACTION, SUPPLY_MAX_V
from controller.ports import SensorSpec
from controller.sensors import INA219, SENSORS
from hardware.sensor_kinds import SENSOR_KINDS

every_sensor = pytest.mark.parametrize("spec", SENSORS.values(), ids=SENSORS)


def test_ina219_ranges() -> None:
    """Section 7.5, full-scale shunt voltage of PGA /1 to /8 and bus voltage with BRNG = 0."""
    assert INA219.shunt_ranges_v == (0.040, 0.080, 0.160, 0.320)
    assert INA219.bus_range_v == 16.0


def test_ina219_steps() -> None:
    """Section 7.5, one step: 10 uV of the shunt voltage, 4 mV of the bus voltage."""
    assert (INA219.shunt_lsb_v, INA219.bus_lsb_v) == (10e-6, 4e-3)


def test_ina219_zero_offsets() -> None:
    """Section 7.5, offset voltage of the INA219A, maximum, PGA /1 to /8; grade B is better."""
    assert INA219.max_zero_offsets_v == (100e-6, 125e-6, 150e-6, 200e-6)


def test_ina219_times() -> None:
    """Table 5: 128 readings take 68.10 ms, 16 take 8.51 ms, 1 to 8 take 0.532 to 4.26 ms."""
    assert INA219.averaged_s == pytest.approx([0.068632, 0.06916, 0.07023, 0.07236], rel=1e-9)
    assert INA219.quick_s == pytest.approx(0.009042, rel=1e-9)


def test_ina219_time_tolerance() -> None:
    """Section 7.5: a reading of 12 bits takes 532 us, at most 586 us."""
    assert INA219.time_tolerance_fraction == pytest.approx(586 / 532 - 1.0, abs=0.002)


def test_ina219_power_on() -> None:
    """Section 8.6.2.1: the configuration register is 399Fh after a reset."""
    assert INA219.power_on_config == 0x399F


def test_ina219_saturation() -> None:
    """A clipped reading counts with the gain error of section 7.5, 0.04 %, and a step besides."""
    for range_v in INA219.shunt_ranges_v:
        assert INA219.saturated_fraction < (1.0 - 0.0004) * (1.0 - INA219.shunt_lsb_v / range_v)
    assert INA219.saturated_fraction == 0.997


def test_every_choice_is_built() -> None:
    """Each sensor of the configuration has a driver for just this specification, and a model."""
    assert SENSOR_KINDS.keys() == SENSORS.keys()
    for name, kind in SENSOR_KINDS.items():
        assert kind.registers.spec is SENSORS[name]


@pytest.mark.parametrize("name", SENSOR_KINDS)
def test_drivers_know_no_rehearsal(name: str) -> None:
    """The model stays out of the product path, whichever driver is added."""
    source = inspect.getsource(inspect.getmodule(SENSOR_KINDS[name].registers))
    assert "class " in source
    assert "rehearsal" not in source


@every_sensor
def test_one_offset_per_range(spec: SensorSpec) -> None:
    assert len(spec.max_zero_offsets_v) == len(spec.shunt_ranges_v)
    assert list(spec.shunt_ranges_v) == sorted(spec.shunt_ranges_v)
    assert list(spec.averaged_s) == sorted(spec.averaged_s)


@every_sensor
def test_policy_clears_saturation(spec: SensorSpec) -> None:
    """The over-current limit comes before the end of the range."""
    assert spec.saturated_fraction > LIMIT_TO_RANGE_FRACTION


@every_sensor
def test_supply_within_range(spec: SensorSpec) -> None:
    """The largest supply that the wiring allows can be measured."""
    assert spec.bus_range_v > SUPPLY_MAX_V


@every_sensor
def test_stale_after_many_conversions(spec: SensorSpec) -> None:
    """Ten of the slowest conversions fit into the default age of a sample.

    Common practice, no source.
    """
    slowest_s = max(spec.averaged_s) * (1.0 + spec.time_tolerance_fraction)
    assert 10.0 * slowest_s < Settings().limits.max_sample_age_s


@every_sensor
def test_quick_look_within_a_poll(spec: SensorSpec) -> None:
    """A quick look of the slowest chip is answered at the next poll."""
    assert spec.quick_s * (1.0 + spec.time_tolerance_fraction) < Settings().loop.poll_s


@pytest.mark.parametrize(
    ("shunt_ohm", "max_current_a", "offset_a"),
    [
        (0.02, 2.0, 5e-3),
        (0.02, 4.0, 6.25e-3),
        (0.02, 8.0, 7.5e-3),
        (0.02, 10.0, 10e-3),
        (0.1, 3.2, 2e-3),
    ],
)
def test_offset_follows_the_range(shunt_ohm: float, max_current_a: float, offset_a: float) -> None:
    """100, 125, 150 and 200 uV over the shunt: section 7.5, grade A."""
    settings = parse_settings({"rig": {"shunt_ohm": shunt_ohm, "max_current_a": max_current_a}})
    assert settings.max_zero_offset_a == pytest.approx(offset_a)
