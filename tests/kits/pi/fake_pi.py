"""A Raspberry Pi for ``build_pi_rig``: GPIO lines, and an INA219 on /dev/i2c-1."""

from __future__ import annotations

import sys
import types
from contextlib import nullcontext
from typing import Any, Protocol

from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.waveform import Waveform
from hardware.rehearsal.wire import I2cWire
from tests.kits.pi.fake_kernel import Kernel, install

RELAY, DEAD_MAN, LAMP, BUZZER, SECOND, BUTTON = 17, 22, 23, 24, 25, 27
RIG = {
    "relay_pin": "GPIO17",
    "dead_man_pin": "GPIO22",
    "lamp_pin": "GPIO23",
    "buzzer_pin": "GPIO24",
    "second_output_pin": "GPIO25",
    "stop_button_pin": "GPIO27",
}
SHUNT_OHM = 0.02
FLOWING_A, FLOWING_V = 3.0, 3.0


class AdvancingClock(Protocol):
    """What the wire needs of a VirtualClock."""

    def monotonic_s(self) -> float: ...

    def advance(self, seconds: float) -> float: ...


class FakePi:
    """Current flows through the emulated chip's shunt while relay and second contactor are on.

    :param i2c_bus: number of the bus that the chip is on.
    """

    def __init__(self, clock: AdvancingClock, i2c_bus: int = 1) -> None:
        self.kernel = Kernel()
        self.is_welded = False
        self._clock = clock
        self._chip = Ina219Chip()
        self._fed_s = clock.monotonic_s()
        self._chip.power_on(self._fed_s)
        self.wire = I2cWire(
            self._chip,
            clock,
            address=0x40,
            bus_hz=100e3,
            lock=nullcontext(),
            catch_up=self.catch_up,  # type: ignore[arg-type]
        )
        self._i2c_bus = i2c_bus
        self.kernel.before_change = self._pin_changes

    def install(self, patch: Any) -> None:
        """Put this Pi in the place of the libraries that reach a real one."""
        install(self.kernel, patch)
        library = types.ModuleType("adafruit_extended_bus")
        library.ExtendedI2C = self._open_bus  # type: ignore[attr-defined]
        patch.setitem(sys.modules, "adafruit_extended_bus", library)

    def catch_up(self, now_s: float) -> None:
        """Feed the chip with what has flowed up to now."""
        level = self.kernel.level
        flows = (level[RELAY] or self.is_welded) and level[SECOND]
        shunt_v, bus_v = (FLOWING_A * SHUNT_OHM, FLOWING_V) if flows else (0.0, 0.0)
        self._chip.feed(
            self._fed_s, max(self._fed_s, now_s), Waveform(shunt_v, 0.0, bus_v, 0.0, 1.0, 0.0)
        )
        self._fed_s = max(self._fed_s, now_s)

    def _pin_changes(self, line: int, _level: int) -> None:
        if line in (RELAY, SECOND):
            self.catch_up(self._clock.monotonic_s())

    def _open_bus(self, number: int) -> I2cWire:
        if number != self._i2c_bus:
            raise FileNotFoundError(2, "No such file or directory", f"/dev/i2c-{number}")
        return self.wire
