"""Reads current and voltage of the cell from a shunt monitor on the I2C bus.

What differs from chip to chip is in its registers (ina219.py). This module holds what is the same
for all: what a failure means, when a quick look ends, and what counts as a reset.
"""

from __future__ import annotations

import errno
from typing import Any, ClassVar, NamedTuple, Protocol

from controller.errors import SensorError, SensorResetError
from controller.messages import Sample
from controller.ports import Clock, SensorSpec
from hardware.sensor.conversion_pace import ConversionPace

RETRY_WITHIN_S = 0.5
"""A failed call that took longer is not retried, s. A stuck bus blocks for about 1 s per
transaction."""


class Conversion(NamedTuple):
    """A conversion as the registers hold it.

    :param shunt_steps, bus_steps: in steps of the two registers.
    :param config: the configuration read after them.
    """

    shunt_steps: int
    bus_steps: int
    config: int


class Registers(Protocol):
    """The registers of a chip. Every method may raise OSError.

    The constructor takes a busio-like bus, the address and the index of the shunt range.
    Raises: ValueError or OSError when the chip does not answer.
    """

    spec: ClassVar[SensorSpec]

    def __init__(self, i2c: Any, address: int, range_index: int) -> None: ...

    @property
    def quick(self) -> int:
        """Configuration of a quick look."""

    def averaging(self, pace: int) -> int:
        """Return the configuration of averaged conversions.

        :param pace: index into ``spec.averaged_s``.
        """

    def configure(self, config: int) -> None:
        """Write the configuration. That restarts the conversion and clears the ready flag."""

    def configuration(self) -> int:
        """Return the configuration that the chip holds."""

    def take(self, expected: int) -> Conversion | None:
        """Return the newest conversion, or None when it was taken before.

        A conversion counts as taken when the configuration read with it is ``expected``.
        """


class ShuntMonitor:
    """A sensor that is read through its registers. For one thread only.

    A reset of the chip is raised once. After a reset or a failed write, the next poll writes the
    configuration again.

    :param registers: those of the chip.
    :param i2c: busio-like bus.
    :param shunt_ohm: resistance of the shunt.
    :param max_current_a: largest current to be measured; chooses the range.

    Raises: RefusedError when no range is large enough for shunt and current, SensorError when the
    chip does not answer.
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
        self._place: dict[str, Any] = {"chip": spec.chip, "address": address}
        self._amps_per_step = spec.shunt_lsb_v / shunt_ohm
        self._volts_per_step = spec.bus_lsb_v
        self._saturated_from = spec.saturated_fraction * range_v / spec.shunt_lsb_v
        self._range_a = range_v / shunt_ohm
        self._pace = ConversionPace(spec)
        # The configuration that the chip should hold; None when it must be written first.
        self._expected: int | None = None
        self._failed_before = False
        try:
            self._registers = registers(i2c, address, index)
            self._averaging = self._registers.averaging(self._pace.choice)
            self._registers.configure(self._averaging)
            found = self._registers.configuration()
        except (OSError, ValueError) as error:
            raise SensorError("hardware.sensor.absent", **self._place, error=str(error)) from error
        if found != self._averaging:
            raise SensorError(
                "hardware.sensor.impostor", **self._place, written=self._averaging, found=found
            )
        self._expected = self._averaging
        self._quick = self._registers.quick

    @property
    def range_a(self) -> float:
        """Full scale of the current measurement, A."""
        return self._range_a

    def poll(self) -> Sample | None:
        """Return the newest conversion if it was not returned before, else None.

        The first failed read returns None, and the next poll is the one retry. A second failure in
        a row, a timeout and a failed write are errors.

        Raises: SensorError when the chip cannot be read, SensorResetError when it lost its
        configuration.
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
        """Write the configuration. That restarts the conversion and clears the ready flag."""
        self._expected = None
        try:
            self._registers.configure(config)
        except OSError as error:
            raise SensorError(
                "hardware.sensor.write_failed", **self._place, error=str(error)
            ) from error
        self._expected = config
        self._failed_before = False

    def _judge(self, error: OSError, started_s: float) -> None:
        """Let the first failed read pass.

        Raises: SensorError for a second one in a row and for a timeout.
        """
        took_s = self._clock.monotonic_s() - started_s
        if error.errno == errno.ETIMEDOUT or took_s > RETRY_WITHIN_S:
            self._failed_before = True
            raise SensorError(
                "hardware.sensor.bus_stuck",
                **self._place,
                took_s=took_s,
                limit_s=RETRY_WITHIN_S,
                error=str(error),
            ) from error
        if self._failed_before:
            raise SensorError(
                "hardware.sensor.failed_twice", **self._place, error=str(error)
            ) from error
        self._failed_before = True

    def _reset(self, found: int, expected: int) -> SensorResetError:
        cause = "power_lost" if found == self._spec.power_on_config else "changed"
        return SensorResetError(
            f"hardware.sensor.{cause}", **self._place, found=found, expected=expected
        )
