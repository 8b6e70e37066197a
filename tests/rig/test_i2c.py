"""Opening the bus: the real library where there is no bus, and its failures on a Pi (from its
source, version 1.0.2).
"""

import sys
import types
import warnings

import pytest

from controller.errors import SensorError
from hardware.i2c import open_bus
from tests.kits.message_kit import raises_message


def library(behaviour):
    module = types.ModuleType("adafruit_extended_bus")
    module.ExtendedI2C = behaviour
    return module


def test_real_library_without_bus():
    """Without such a bus, the message on the real library's error says how to switch it on."""
    with raises_message(SensorError, "hardware.bus.unopened", device="/dev/i2c-987"):
        open_bus(987)


@pytest.mark.parametrize(
    ("error", "key"),
    [
        (PermissionError(13, "Permission denied"), "permission"),
        (ValueError("No device found for /dev/i2c-1"), "unopened"),
        (RuntimeError("I2C Bus #1 not found"), "unopened"),
        (OSError(6, "No such device or address"), "unopened"),
    ],
)
def test_failures_have_their_message(monkeypatch, error, key):
    def fail(number):
        raise error

    monkeypatch.setitem(sys.modules, "adafruit_extended_bus", library(fail))
    with raises_message(SensorError, f"hardware.bus.{key}", device="/dev/i2c-1"):
        open_bus(1)


def test_missing_library(monkeypatch):
    """Library that is missing is named."""
    monkeypatch.setitem(sys.modules, "adafruit_extended_bus", None)
    with raises_message(SensorError, "hardware.bus.library"):
        open_bus(1)


def test_harmless_warning_suppressed(monkeypatch, recwarn):
    """Only the harmless warning is kept quiet."""

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
