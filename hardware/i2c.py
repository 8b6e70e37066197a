"""The I2C bus of the Pi, opened by its number."""

from __future__ import annotations

import warnings
from typing import Any

from controller.errors import SensorError


def open_bus(number: int) -> Any:
    """Return the busio-like object for /dev/i2c-``number``.

    The clock rate is the kernel's (``dtparam=i2c_arm_baudrate`` in config.txt); the library's warning about that is
    kept quiet.

    Raises: SensorError that says what to check.
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
        raise SensorError(
            f"{device} may not be opened by this user: add the user to the group i2c (sudo usermod -aG i2c USER) and log in again"
        ) from error
    except (ImportError, NotImplementedError) as error:
        raise SensorError(f"the I2C library cannot be loaded on this machine: {error}") from error
    except (ValueError, RuntimeError, OSError) as error:
        raise SensorError(
            f"{device} cannot be opened ({error}): switch I2C on (sudo raspi-config nonint do_i2c 0), load i2c-dev, "
            f"restart, and look which buses there are with ls /dev/i2c-*"
        ) from error
