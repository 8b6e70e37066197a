"""Current and voltage of the cell from an INA219, by the Adafruit driver.

Amps are the raw shunt reading over the shunt's resistance: the driver's ``current`` rewrites the calibration register
before each read and so hides that the chip was reset.
"""

from __future__ import annotations

import errno
from typing import Any

from adafruit_ina219 import INA219, ADCResolution, BusVoltageRange, Mode
from adafruit_register.i2c_struct import ROUnaryStruct, UnaryStruct

from controller.config import SATURATION_FRACTION
from controller.errors import RefusedError, SensorError, SensorResetError
from controller.messages import Sample
from controller.ports import Clock
from controller.units import positive
from hardware.conversion_pace import ConversionPace

SHUNT_STEP_V = 10e-6
BUS_STEP_V = 4e-3
"""Size of one step of the shunt and the bus register, V. Source: TI SBOS448, electrical characteristics."""

SHUNT_RANGES_V = (0.04, 0.08, 0.16, 0.32)
"""Shunt ranges by the PG bits, V. Source: TI SBOS448 Rev F Table 5."""

RETRY_WITHIN_S = 0.5
"""A failed call that took longer than this is not tried again, s: a stuck bus blocks for about 1 s per transaction."""

_CONVERSION_READY = 0x0002
_POWER_ON_CONFIG = 0x399F


class _Chip(INA219):  # type: ignore[misc]
    raw_config = UnaryStruct(0x00, ">H")
    raw_bus_register = ROUnaryStruct(0x02, ">H")


def shunt_range(shunt_ohm: float, max_current_a: float) -> int:
    """Return the index into SHUNT_RANGES_V of the smallest range that holds ``max_current_a``.

    Raises: RefusedError above 0.32 V.
    """
    full_v = positive(shunt_ohm, "shunt_ohm", "ohm") * positive(max_current_a, "max_current_a", "A")
    for index, range_v in enumerate(SHUNT_RANGES_V):
        if full_v <= range_v * (1.0 + 1e-9):
            return index
    raise RefusedError(
        f"max_current_a {max_current_a:g} A on shunt_ohm {shunt_ohm:g} ohm is {full_v * 1e3:.0f} mV, the largest range "
        f"is 320 mV: at this shunt give at most {SHUNT_RANGES_V[-1] / shunt_ohm:.3g} A, or fit a smaller shunt",
        field="max_current_a",
        limit=f"{SHUNT_RANGES_V[-1] / shunt_ohm:.3g} A",
    )


class Ina219Sensor:
    """An INA219 behind a busio-like I2C object. One thread only.

    The shunt is averaged over 128 conversions (68 ms, watched 94 to 99 % of the time), the bus voltage is a short look (0.5 to
    4.3 ms, see conversion_pace.py).
    After a reset of the chip, or a failed write, the next poll writes the configuration again; the reset itself has
    been raised once by then.

    :param i2c: busio-like bus.
    :param shunt_ohm: resistance of the shunt.
    :param max_current_a: largest current that must be told apart; chooses the range.

    Raises: RefusedError for a shunt and current that no range holds, SensorError when no INA219 answers.
    """

    def __init__(
        self, i2c: Any, clock: Clock, *, address: int, shunt_ohm: float, max_current_a: float
    ) -> None:
        gain = shunt_range(shunt_ohm, max_current_a)
        range_steps = SHUNT_RANGES_V[gain] / SHUNT_STEP_V
        self._clock = clock
        self._name = f"INA219 at address 0x{address:02x}"
        self._amps_per_step = SHUNT_STEP_V / shunt_ohm
        self._saturated_from = SATURATION_FRACTION * range_steps
        self._range_a = SHUNT_RANGES_V[gain] / shunt_ohm
        self._rest = BusVoltageRange.RANGE_16V << 13 | gain << 11 | Mode.SANDBVOLT_CONTINUOUS
        self._quick = (
            self._rest | ADCResolution.ADCRES_12BIT_1S << 7 | ADCResolution.ADCRES_12BIT_16S << 3
        )
        self._pace = ConversionPace()
        self._averaging = self._with_pace()
        self._expected: int | None = (
            None  # configuration that the chip should hold, None: not known, write it first
        )
        self._failed_before = False
        try:
            self._chip = _Chip(i2c, address)
            self._chip.raw_config = self._averaging
            found = self._chip.raw_config
        except (OSError, ValueError) as error:
            raise SensorError(
                f"no {self._name} ({error}): check the address jumpers, the four wires and the sensor's supply, that "
                f"I2C is on (i2cdetect -y 1 shows the address) and that no other program uses the bus"
            ) from error
        if found != self._averaging:
            raise SensorError(
                f"what answers for the {self._name} does not behave like one: 0x{self._averaging:04x} was written to its "
                f"configuration, 0x{found:04x} read back: another device may share the address, or the wires are bad"
            )
        self._expected = self._averaging

    @property
    def range_a(self) -> float:
        """Full scale of the current measurement, A."""
        return self._range_a

    def poll(self) -> Sample | None:
        """Return the newest conversion if it has not been returned before, else None.

        The first failed read gives None, so that the next poll is the one retry. A second in a row, a timeout and a
        failed write are errors.

        Raises: SensorError when it cannot be read, SensorResetError when the chip lost its configuration.
        """
        expected = self._expected
        if expected is None:
            self._write(self._averaging)
            return None
        started_s = self._clock.monotonic_s()
        chip = self._chip
        try:
            bus = chip.raw_bus_register
            fresh = bus & _CONVERSION_READY
            if fresh:
                shunt = chip.raw_shunt_voltage
                found = chip.raw_config
                if found == expected:
                    _ = chip.raw_power  # reading it clears the conversion-ready flag
        except OSError as error:
            self._judge(error, started_s)
            return None
        self._failed_before = False
        if not fresh:
            return None
        if found != expected:
            self._expected = None
            raise self._reset(found, expected)
        taken_at_s = self._clock.monotonic_s()
        averaged = expected != self._quick
        if not averaged:
            self._pace.restart()
            self._write(self._averaging)
        elif self._pace.note(taken_at_s):
            self._averaging = self._with_pace()
            self._write(self._averaging)
        return Sample(
            taken_at_s=taken_at_s,
            current_a=shunt * self._amps_per_step,
            voltage_v=(bus >> 3) * BUS_STEP_V,
            saturated=abs(shunt) >= self._saturated_from,
            averaged=averaged,
        )

    def _with_pace(self) -> int:
        return int(self._rest | self._pace.bus_adc << 7 | ADCResolution.ADCRES_12BIT_128S << 3)

    def look_again(self) -> None:
        """Start one quick conversion (16 readings of the shunt, 9.04 ms). The next fresh poll returns it, marked as not averaged.

        Of a ripple of 100 Hz a sixth of its amplitude is left, of one of 120 Hz hardly anything.

        Raises: SensorError.
        """
        self._write(self._quick)

    def _write(self, config: int) -> None:
        """Write the configuration, which restarts the conversion and clears the ready flag."""
        self._expected = None
        try:
            self._chip.raw_config = config
        except OSError as error:
            raise SensorError(
                f"{self._name} did not take its configuration ({error}): check wires and supply of the sensor"
            ) from error
        self._expected = config
        self._failed_before = False

    def _judge(self, error: OSError, started_s: float) -> None:
        """Let the first failed read pass. Raises: SensorError for a second one in a row and for a timeout."""
        took_s = self._clock.monotonic_s() - started_s
        if error.errno == errno.ETIMEDOUT or took_s > RETRY_WITHIN_S:
            self._failed_before = True
            raise SensorError(
                f"the I2C bus of the {self._name} is stuck: a read took {took_s:.2f} s and failed ({error}), the limit "
                f"is {RETRY_WITHIN_S:g} s: check the wires; a chip that holds the bus lets go when its supply is cut"
            ) from error
        if self._failed_before:
            raise SensorError(
                f"{self._name} failed twice in a row ({error}), the limit is one: check wires, supply and relay "
                f"wiring, a relay that switches beside the bus can disturb it"
            ) from error
        self._failed_before = True

    def _reset(self, found: int, expected: int) -> SensorResetError:
        cause = (
            "which is its state after power-on: its supply failed for a moment"
            if found == _POWER_ON_CONFIG
            else "which nobody wrote here: another program uses the sensor, or the bus is disturbed"
        )
        return SensorResetError(
            f"{self._name} has configuration 0x{found:04x} instead of 0x{expected:04x}, {cause}: "
            f"check supply and wires of the sensor; it is set up again at the next poll"
        )
