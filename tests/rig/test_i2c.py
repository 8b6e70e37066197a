"""Opening the bus: the real library where there is no bus, and its failures on a Pi (from its source, version 1.0.2)."""

import sys
import types
import warnings

import pytest

from controller.errors import SensorError
from hardware.i2c import open_bus


def library(behaviour):
    module = types.ModuleType("adafruit_extended_bus")
    module.ExtendedI2C = behaviour
    return module


def test_real_library_without_such_a_bus_says_how_to_switch_it_on():
    with pytest.raises(SensorError, match=r"/dev/i2c-987 .*raspi-config"):
        open_bus(987)


@pytest.mark.parametrize(
    ("error", "advice"),
    [
        (PermissionError(13, "Permission denied"), "group i2c"),
        (ValueError("No device found for /dev/i2c-1"), "raspi-config"),
        (RuntimeError("I2C Bus #1 not found"), "raspi-config"),
        (OSError(6, "No such device or address"), "i2c-dev"),
    ],
)
def test_failures_say_what_to_do(monkeypatch, error, advice):
    def fail(number):
        raise error

    monkeypatch.setitem(sys.modules, "adafruit_extended_bus", library(fail))
    with pytest.raises(SensorError, match=advice) as caught:
        open_bus(1)
    assert "/dev/i2c-1" in str(caught.value)


def test_library_that_is_missing_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "adafruit_extended_bus", None)
    with pytest.raises(SensorError, match="cannot be loaded"):
        open_bus(1)


def test_only_the_harmless_warning_is_kept_quiet(monkeypatch, recwarn):
    def warn(text):
        def make(number):
            warnings.warn(text, RuntimeWarning, stacklevel=2)
            return number

        return make

    monkeypatch.setitem(
        sys.modules,
        "adafruit_extended_bus",
        library(warn("I2C frequency is not settable in python, ignoring!")),
    )
    assert open_bus(1) == 1
    assert not recwarn.list
    monkeypatch.setitem(sys.modules, "adafruit_extended_bus", library(warn("something else")))
    with pytest.warns(RuntimeWarning, match="something else"):
        open_bus(1)
