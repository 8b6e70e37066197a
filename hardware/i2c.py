"""The I2C bus of the Pi, opened by its number."""

from __future__ import annotations

import warnings
from typing import Any

from controller.errors import SensorError


def open_bus(number: int) -> Any:
    """Return the busio-like object for /dev/i2c-``number``.

    The kernel sets the clock rate (``dtparam=i2c_arm_baudrate`` in config.txt). The library's
    warning about that is suppressed.

    Raises: SensorError, which says what to check.
    """
    device = f"/dev/i2c-{number}"
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
