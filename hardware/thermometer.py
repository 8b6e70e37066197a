"""Reads the bath temperature from a one-wire thermometer, outside the loop: it takes 0.75 s."""

from __future__ import annotations

from pathlib import Path

from controller.ports import Clock

READ_EVERY_S = 2.0
"""Period of the readings, s. In that time 9 W warm a litre by 0.004 K."""

MAX_AGE_S = 10.0
"""An older reading counts as missing, s."""

DEVICES = Path("/sys/bus/w1/devices")


class OneWireThermometer:
    """A DS18B20-like sensor through the kernel's w1_therm driver.

    :param path: its ``temperature`` file, in millidegrees Celsius.
    Source: Linux Documentation/w1/slaves/w1_therm.rst.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._reading: tuple[float, float] | None = None

    def read(self, _now_s: float) -> None:
        """Take a reading. When that fails, the last one remains and grows old.

        85 degC is the chip's power-on value and not a reading.
        """
        try:
            millidegrees = int(self._path.read_text(encoding="ascii"))
        except (OSError, ValueError):
            return
        if millidegrees != 85_000:
            self._reading = (self._clock.monotonic_s(), millidegrees / 1000.0)

    def latest_degc(self) -> float | None:
        """Return the newest reading in degC, or None when it is older than 10 s."""
        reading = self._reading
        if reading is None or self._clock.monotonic_s() - reading[0] > MAX_AGE_S:
            return None
        return reading[1]


def thermometer_path(device_id: str) -> Path:
    """Return the temperature file of a one-wire device."""
    return DEVICES / device_id / "temperature"
