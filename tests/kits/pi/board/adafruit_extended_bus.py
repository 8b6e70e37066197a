"""An INA219 on /dev/i2c-1. Current flows while the board's relay line is high, or it is welded."""

from __future__ import annotations

import os
from contextlib import nullcontext
from typing import Any

import lines

from hardware.clock import SystemClock
from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.waveform import Waveform
from hardware.rehearsal.wire import I2cWire

SHUNT_OHM = 0.02
FLOWING_A, FLOWING_V = 3.0, 3.0


class PassingClock(SystemClock):
    """Time passes by itself."""

    def advance(self, _seconds: float) -> float:
        return self.monotonic_s()


class ExtendedI2C(I2cWire):
    """The wire with its chip."""

    def __init__(self, number: int) -> None:
        if lines.is_set("no_bus"):
            raise FileNotFoundError(2, "No such file or directory", f"/dev/i2c-{number}")
        clock: Any = PassingClock()
        self._ina219 = Ina219Chip()
        self._fed_s = clock.monotonic_s()
        self._ina219.power_on(self._fed_s)
        super().__init__(
            self._ina219,
            clock,
            address=0x40,
            bus_hz=100e3,
            lock=nullcontext(),
            catch_up=self._feed,
        )

    def _feed(self, now_s: float) -> None:
        if lines.is_set("sensor_dead"):
            raise OSError(121, "Remote I/O error")
        flows = lines.level(int(os.environ["FAKE_RELAY"])) or lines.is_set("welded")
        shunt_v, bus_v = (FLOWING_A * SHUNT_OHM, FLOWING_V) if flows else (0.0, 0.0)
        waveform = Waveform(shunt_v, 0.0, bus_v, 0.0, 1.0, 0.0)
        self._ina219.feed(self._fed_s, max(self._fed_s, now_s), waveform)
        self._fed_s = max(self._fed_s, now_s)
