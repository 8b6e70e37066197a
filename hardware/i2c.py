"""The I2C bus of the Pi, opened by its number."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

from controller.errors import SensorError

DEVICE = "/dev/i2c-{number}"
"""The device of a bus. Source: Linux kernel documentation, i2c/dev-interface."""

ADAPTER = "/sys/bus/i2c/devices/i2c-{number}"
"""Exists for each bus of the kernel, even before the module i2c-dev makes its device.

Source: Linux kernel documentation, i2c/i2c-sysfs.
"""


def has_bus(number: int) -> bool:
    """Return whether the machine has a bus, even one that cannot be opened."""
    return any(Path(place.format(number=number)).exists() for place in (DEVICE, ADAPTER))


def open_bus(number: int) -> Any:
    """Return the busio-like object for /dev/i2c-``number``.

    The kernel sets the clock rate (``dtparam=i2c_arm_baudrate`` in config.txt). The library's
    warning about that is suppressed.

    Raises: SensorError, which says what to check.
    """
    device = DEVICE.format(number=number)
    try:
        from adafruit_extended_bus import ExtendedI2C

        with warnings.catch_warnings():
            warnings.filterwarnings(
                "ignore", message="I2C frequency is not settable", category=RuntimeWarning
            )
            return ExtendedI2C(number)
    except PermissionError as error:
        raise SensorError("hardware.bus.permission", device=device) from error
    except (ImportError, NotImplementedError) as error:
        raise SensorError("hardware.bus.library", error=str(error)) from error
    except (ValueError, RuntimeError, OSError) as error:
        raise SensorError("hardware.bus.unopened", device=device, error=str(error)) from error
