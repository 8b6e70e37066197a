"""The driver and the emulated chip of each sensor that the configuration can choose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from controller.ports import Clock
from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.sensor_chip import SensorChip
from hardware.sensor.ina219 import Ina219Registers
from hardware.sensor.shunt_monitor import Registers, ShuntMonitor

if TYPE_CHECKING:
    from controller.config import RigSettings


@dataclass(frozen=True, slots=True)
class SensorKind:
    """A sensor and its model.

    :param registers: the chip's registers, for the driver.
    :param make_chip: makes the emulated chip, with the arguments of Ina219Chip.
    """

    registers: type[Registers]
    make_chip: Callable[..., SensorChip]


SENSOR_KINDS = {"ina219": SensorKind(Ina219Registers, Ina219Chip)}
"""By the names of controller/sensors.py."""


def open_sensor(rig: RigSettings, i2c: Any, clock: Clock) -> ShuntMonitor:
    """Return the sensor of the configuration, on a busio-like bus.

    Raises: RefusedError when no range is large enough for shunt and current, SensorError when the
    chip does not answer.
    """
    return ShuntMonitor(
        SENSOR_KINDS[rig.sensor].registers,
        i2c,
        clock,
        address=rig.i2c_address,
        shunt_ohm=rig.shunt_ohm,
        max_current_a=rig.max_current_a,
    )
