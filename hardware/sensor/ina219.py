"""The registers of an INA219, by the Adafruit driver.

The raw shunt reading is used, because the driver's ``current`` rewrites the calibration register
before each read and so hides that the chip was reset. The shunt is averaged over 128 readings
(68 ms, 94 to 99 % of the time); the bus voltage is measured briefly (0.5 to 4.3 ms). The quick look
has 16 readings of the shunt. They leave a sixth of the amplitude of a ripple of 100 Hz, and hardly
anything of one of 120 Hz.
"""

from __future__ import annotations

from typing import Any, ClassVar

from adafruit_ina219 import INA219, ADCResolution, BusVoltageRange, Mode
from adafruit_register.i2c_struct import ROUnaryStruct, UnaryStruct

from controller import sensors
from controller.ports import SensorSpec
from hardware.sensor.shunt_monitor import Conversion

_BUS_LOOKS = (
    ADCResolution.ADCRES_12BIT_1S,
    ADCResolution.ADCRES_12BIT_2S,
    ADCResolution.ADCRES_12BIT_4S,
    ADCResolution.ADCRES_12BIT_8S,
)
"""Settings of the bus ADC by pace, as in the specification."""

_CONVERSION_READY = 0x0002


class _Chip(INA219):  # type: ignore[misc]
    raw_config = UnaryStruct(0x00, ">H")
    raw_bus_register = ROUnaryStruct(0x02, ">H")


class Ina219Registers:
    """The registers as hardware.sensor.shunt_monitor.Registers. A range's index is its PG bits."""

    spec: ClassVar[SensorSpec] = sensors.INA219

    def __init__(self, i2c: Any, address: int, range_index: int) -> None:
        self._rest = BusVoltageRange.RANGE_16V << 13 | range_index << 11 | Mode.SANDBVOLT_CONTINUOUS
        self._chip = _Chip(i2c, address)

    @property
    def quick(self) -> int:
        """Configuration of a quick look: 16 readings of the shunt and one of the bus voltage."""
        return self._config(ADCResolution.ADCRES_12BIT_1S, ADCResolution.ADCRES_12BIT_16S)

    def averaging(self, pace: int) -> int:
        """Return the configuration of averaged conversions at a pace: 128 readings of the shunt."""
        return self._config(_BUS_LOOKS[pace], ADCResolution.ADCRES_12BIT_128S)

    def configure(self, config: int) -> None:
        """Write the configuration. Raises: OSError."""
        self._chip.raw_config = config

    def configuration(self) -> int:
        """Return the configuration that the chip holds. Raises: OSError."""
        return int(self._chip.raw_config)

    def take(self, expected: int) -> Conversion | None:
        """Return the newest conversion, or None when it was taken before. Raises: OSError."""
        chip = self._chip
        bus = chip.raw_bus_register
        if not bus & _CONVERSION_READY:
            return None
        shunt_steps = chip.raw_shunt_voltage
        config = chip.raw_config
        if config == expected:
            _ = chip.raw_power  # reading it clears the conversion-ready flag
        return Conversion(shunt_steps, bus >> 3, config)

    def _config(self, bus_adc: int, shunt_adc: int) -> int:
        return int(self._rest | bus_adc << 7 | shunt_adc << 3)
