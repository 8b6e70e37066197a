"""Current and voltage of the cell from a shunt monitor on the I2C bus, whichever its registers are.

How a chip is spoken to is the business of its registers (ina219.py). What a failure means, when a
quick look ends and what counts as a reset is the same for all of them and stands here.
"""

from __future__ import annotations

import errno
from typing import Any, ClassVar, NamedTuple, Protocol

from controller.errors import SensorError, SensorResetError
from controller.messages import Sample
from controller.ports import Clock, SensorSpec
from hardware.sensor.conversion_pace import ConversionPace

RETRY_WITHIN_S = 0.5
"""A failed call that took longer than this is not tried again, s: a stuck bus blocks for about 1 s per transaction."""


class Conversion(NamedTuple):
    """A conversion as the registers hold it.

    :param shunt_steps, bus_steps: in steps of the two registers.
    :param config: the configuration read after them.
    """

    shunt_steps: int
    bus_steps: int
    config: int


class Registers(Protocol):
    """What differs from chip to chip. Every method may raise OSError.

    The constructor takes a busio-like bus, the address and the index of the shunt range.
    Raises: ValueError or OSError when the chip does not answer.
    """

    spec: ClassVar[SensorSpec]

    def __init__(self, i2c: Any, address: int, range_index: int) -> None: ...

    @property
    def quick(self) -> int:
        """Configuration of a quick look."""

    def averaging(self, pace: int) -> int:
        """Return the configuration of averaged conversions at one of the paces of ``spec.averaged_s``."""

    def configure(self, config: int) -> None:
        """Write the configuration, which restarts the conversion and clears the ready flag."""

    def configuration(self) -> int:
        """Return the configuration that the chip holds."""

    def take(self, expected: int) -> Conversion | None:
        """Return the newest conversion, or None when it has been taken before.

        A conversion counts as taken when the configuration read with it is ``expected``.
        """


class ShuntMonitor:
    """A sensor by its registers. One thread only.

    After a reset of the chip, or a failed write, the next poll writes the configuration again; the reset itself has
    been raised once by then.

    :param registers: how the chip is spoken to.
    :param i2c: busio-like bus.
    :param shunt_ohm: resistance of the shunt.
    :param max_current_a: largest current that must be told apart; chooses the range.

    Raises: RefusedError for a shunt and current that no range holds, SensorError when no such chip answers.
    """

    def __init__(
        self,
        registers: type[Registers],
        i2c: Any,
        clock: Clock,
        *,
        address: int,
        shunt_ohm: float,
        max_current_a: float,
    ) -> None:
        spec = registers.spec
        index = spec.range_for(shunt_ohm, max_current_a)
        range_v = spec.shunt_ranges_v[index]
        self._spec = spec
        self._clock = clock
        self._name = f"{spec.chip} at address 0x{address:02x}"
        self._amps_per_step = spec.shunt_lsb_v / shunt_ohm
        self._volts_per_step = spec.bus_lsb_v
        self._saturated_from = spec.saturated_fraction * range_v / spec.shunt_lsb_v
        self._range_a = range_v / shunt_ohm
        self._pace = ConversionPace(spec)
        self._expected: int | None = (
            None  # configuration that the chip should hold, None: not known, write it first
        )
        self._failed_before = False
        try:
            self._registers = registers(i2c, address, index)
            self._averaging = self._registers.averaging(self._pace.choice)
            self._registers.configure(self._averaging)
            found = self._registers.configuration()
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
        self._quick = self._registers.quick

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
        try:
            conversion = self._registers.take(expected)
        except OSError as error:
            self._judge(error, started_s)
            return None
        self._failed_before = False
        if conversion is None:
            return None
        shunt_steps, bus_steps, found = conversion
        if found != expected:
            self._expected = None
            raise self._reset(found, expected)
        taken_at_s = self._clock.monotonic_s()
        averaged = expected != self._quick
        if not averaged:
            self._pace.restart()
            self._write(self._averaging)
        elif self._pace.note(taken_at_s):
            self._averaging = self._registers.averaging(self._pace.choice)
            self._write(self._averaging)
        return Sample(
            taken_at_s=taken_at_s,
            current_a=shunt_steps * self._amps_per_step,
            voltage_v=bus_steps * self._volts_per_step,
            saturated=abs(shunt_steps) >= self._saturated_from,
            averaged=averaged,
        )

    def look_again(self) -> None:
        """Start one quick conversion. The next fresh poll returns it, marked as not averaged.

        Raises: SensorError.
        """
        self._write(self._quick)

    def _write(self, config: int) -> None:
        """Write the configuration, which restarts the conversion and clears the ready flag."""
        self._expected = None
        try:
            self._registers.configure(config)
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
            if found == self._spec.power_on_config
            else "which nobody wrote here: another program uses the sensor, or the bus is disturbed"
        )
        return SensorResetError(
            f"{self._name} has configuration 0x{found:04x} instead of 0x{expected:04x}, {cause}: "
            f"check supply and wires of the sensor; it is set up again at the next poll"
        )
