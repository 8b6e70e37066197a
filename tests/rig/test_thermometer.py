"""The one-wire thermometer reads the kernel's file; an old or absurd reading does not count."""

from __future__ import annotations

from pathlib import Path

from hardware.clock import VirtualClock
from hardware.thermometer import OneWireThermometer, thermometer_path


def test_reads_millidegrees(tmp_path: Path) -> None:
    """Source: Linux w1_therm documentation: temperature is in millidegrees Celsius."""
    file = tmp_path / "temperature"
    clock = VirtualClock()
    thermometer = OneWireThermometer(file, clock)
    assert thermometer.latest_degc() is None
    file.write_text("23125\n")
    thermometer.read(clock.monotonic_s())
    assert thermometer.latest_degc() == 23.125
    file.write_text("-1500\n")
    thermometer.read(clock.monotonic_s())
    assert thermometer.latest_degc() == -1.5


def test_failed_reading_grows_old(tmp_path: Path) -> None:
    """A failed reading grows old instead of staying."""
    file = tmp_path / "temperature"
    clock = VirtualClock()
    thermometer = OneWireThermometer(file, clock)
    file.write_text("30000")
    thermometer.read(0.0)
    file.unlink()
    thermometer.read(0.0)
    clock.advance(9.9)
    assert thermometer.latest_degc() == 30.0
    clock.advance(0.2)
    assert thermometer.latest_degc() is None


def test_power_on_value_ignored(tmp_path: Path) -> None:
    """The power-on value and garbage do not count as readings."""
    file = tmp_path / "temperature"
    thermometer = OneWireThermometer(file, VirtualClock())
    for text in ("85000", "", "crc=00 NO"):
        file.write_text(text)
        thermometer.read(0.0)
        assert thermometer.latest_degc() is None


def test_device_path() -> None:
    assert (
        str(thermometer_path("28-0123456789ab"))
        == "/sys/bus/w1/devices/28-0123456789ab/temperature"
    )
