"""An INA219 at register level: its conversions, their times, and the contents of its six registers.

The model checks that the driver reads the data sheet correctly. So it has its figures from the data
sheet and not from controller/sensors.py. Source of every number and rule here, unless stated:
Texas Instruments, INA219 data sheet, SBOS448 Rev F and G. The average over 2 to 128 samples is the
mean of the true waveform, rounded once to the register's step.
"""

from __future__ import annotations

from math import floor, inf, sqrt
from random import Random
from typing import NamedTuple

from hardware.rehearsal.waveform import Waveform

POWER_ON_CONFIG = 0x399F
"""Table 2, register 00h."""

SHUNT_STEP_V = 10e-6
BUS_STEP_V = 4e-3
SHUNT_RANGES_V = (0.04, 0.08, 0.16, 0.32)
"""By the PG bits, Table 5."""
BUS_FULL_STEPS = (4000, 8000)
"""By the BRNG bit: 16 V and 32 V, section 8.6.3.2."""

CONVERSION_S = (84e-6, 148e-6, 276e-6, 532e-6) * 2 + (
    532e-6, 1.06e-3, 2.13e-3, 4.26e-3, 8.51e-3, 17.02e-3, 34.05e-3, 68.10e-3,
)  # fmt: skip
"""Typical conversion time by the four ADC bits, s, Table 6."""
_BITS = (9, 10, 11, 12) * 2 + (12,) * 8
_SAMPLES = (1,) * 9 + (2, 4, 8, 16, 32, 64, 128)

TYPICAL_OFFSET_V = (10e-6, 20e-6, 30e-6, 40e-6)
"""Typical input offset by the PG bits, V, either sign, Rev G section 7.5."""
POWER_DOWN_RECOVERY_S = 40e-6
"""Time from power-down to the first conversion, s (from memory)."""

_CONFIG, _SHUNT, _BUS, _POWER, _CURRENT, _CALIBRATION = range(6)
_PHASES: tuple[tuple[int, ...], ...] = (
    (), (_SHUNT,), (_BUS,), (_SHUNT, _BUS), (), (_SHUNT,), (_BUS,), (_SHUNT, _BUS),
)  # fmt: skip
"""Registers that a cycle converts, by the MODE bits, Table 7: the shunt first, then the bus."""


class _Conversion(NamedTuple):
    """One conversion of a cycle, as the configuration sets it.

    :param duration_s: by this chip's clock.
    :param noise_v: standard deviation of one sample.
    :param root_samples: root of the number of samples.
    :param coarse: steps of the register in one step of this resolution.
    :param coarse_v: one step of this resolution.
    :param least, most: ends of the range, steps.
    """

    is_shunt: bool
    duration_s: float
    samples: int
    noise_v: float
    root_samples: float
    coarse: int
    coarse_v: float
    least: int
    most: int


class Ina219Chip:
    """The chip: takes and returns bytes, and converts the waveform that it is fed.

    :param clock_error_fraction: excess of its conversion times over the typical ones, -0.1 to 0.1.
    :param offset_share_fraction: input offset over the typical offset of the selected range.
    :param gain_error_fraction: error of the shunt measurement, typically within 0.0004.
    :param noise_v: standard deviation of one 12-bit shunt conversion, V. About one step (common
        experience, no source).
    :param bus_noise_v: standard deviation of one bus conversion, V.
    :param seed: of the noise.
    """

    def __init__(
        self,
        *,
        clock_error_fraction: float = 0.0,
        offset_share_fraction: float = 0.0,
        gain_error_fraction: float = 0.0,
        noise_v: float = 0.0,
        bus_noise_v: float = 0.0,
        seed: int = 0,
    ) -> None:
        self._stretch = 1.0 + clock_error_fraction
        self._gain = 1.0 + gain_error_fraction
        self._offset_share_fraction = offset_share_fraction
        self._noise_v = noise_v
        self._bus_noise_v = bus_noise_v
        self._gauss = Random(seed).gauss  # noqa: S311 noise of a model
        self._stuck = False
        self.registers = [0] * 6
        self.due_s = inf
        """Time at which the running conversion ends, s; inf without one."""
        self.power_on(0.0)

    def power_on(self, now_s: float) -> None:
        """Set the registers to their power-on values, also after a brown-out."""
        self._pointer = 0
        self._bus_steps = 0
        self._ready = False
        self._overflow = False
        self.registers = [POWER_ON_CONFIG, 0, 0, 0, 0, 0]
        self._restart(now_s)

    def stick(self) -> None:
        """Stop converting for good. The registers keep their contents."""
        self._stuck = True
        self.due_s = inf

    def receive(self, data: bytes, now_s: float) -> None:
        """Take the bytes of a write: nothing, a pointer, or a pointer and a word.

        A word that is cut short is ignored.
        """
        if not data:
            return
        self._pointer = data[0]
        if len(data) < 3:
            return
        word = data[1] << 8 | data[2]
        if self._pointer == _CONFIG:
            if word & 0x8000:
                self.power_on(now_s)
                return
            from_power_down = self.registers[_CONFIG] & 7 == 0
            self.registers[_CONFIG] = word & 0x3FFF
            if word & 3:
                self._ready = False
            self._restart(now_s + POWER_DOWN_RECOVERY_S if from_power_down else now_s)
        elif self._pointer == _CALIBRATION:
            self.registers[_CALIBRATION] = word & 0xFFFE  # bit 0 cannot be set, section 8.6.4

    def read(self, pointer: int, count: int) -> bytes:
        """Point at a register and return ``count`` bytes of it.

        Beyond its two bytes the bus reads 0xFF.
        """
        self._pointer = pointer
        if pointer == _BUS:
            word = self._bus_steps << 3 | self._ready << 1 | self._overflow
        elif pointer <= _CALIBRATION:
            word = self.registers[pointer] & 0xFFFF
            if pointer == _POWER:
                self._ready = False
        else:
            word = 0
        data = word.to_bytes(2, "big")
        return data if count == 2 else (data + b"\xff" * count)[:count]

    def transmit(self, count: int) -> bytes:
        """Return ``count`` bytes of the register under the pointer."""
        return self.read(self._pointer, count)

    def feed(self, from_s: float, to_s: float, wave: Waveform) -> None:
        """Apply the waveform to the inputs between two times in s.

        Calls follow each other without gaps.
        """
        while self.due_s <= to_s:
            self._gather(from_s, self.due_s, wave)
            from_s = self.due_s
            self._finish(from_s)
        if self.due_s < inf and from_s < to_s:
            self._gather(from_s, to_s, wave)

    def _restart(self, now_s: float) -> None:
        """Begin the cycle of the present configuration.

        A write to the configuration ends the running conversion.
        """
        config = self.registers[_CONFIG]
        gain = config >> 11 & 3
        self._range_v = SHUNT_RANGES_V[gain]
        self._offset_v = TYPICAL_OFFSET_V[gain] * self._offset_share_fraction
        self._cycle = [self._conversion(phase == _SHUNT, config) for phase in _PHASES[config & 7]]
        self._phase = 0
        self._begin(now_s)

    def _conversion(self, is_shunt: bool, config: int) -> _Conversion:
        adc = config >> (3 if is_shunt else 7) & 15
        step_v = SHUNT_STEP_V if is_shunt else BUS_STEP_V
        full = round(self._range_v / SHUNT_STEP_V) if is_shunt else BUS_FULL_STEPS[config >> 13 & 1]
        coarse = 1 << 12 - _BITS[adc]
        return _Conversion(
            is_shunt=is_shunt,
            duration_s=CONVERSION_S[adc] * self._stretch,
            samples=_SAMPLES[adc],
            noise_v=self._noise_v if is_shunt else self._bus_noise_v,
            root_samples=sqrt(_SAMPLES[adc]),
            coarse=coarse,
            coarse_v=step_v * coarse,
            least=-full if is_shunt else 0,
            most=full,
        )

    def _begin(self, now_s: float) -> None:
        self._sum_vs = 0.0
        self._start_s = now_s
        if self._stuck or self._phase >= len(self._cycle):
            self.due_s = inf
            return
        self._running = self._cycle[self._phase]
        self.due_s = now_s + self._running.duration_s

    def _gather(self, from_s: float, to_s: float, wave: Waveform) -> None:
        """Add a part of the waveform to the running conversion."""
        if from_s < self._start_s:
            from_s = self._start_s
        span_s = to_s - from_s
        if span_s <= 0.0:
            return
        if not self._running.is_shunt:
            self._sum_vs += wave.bus_v * span_s
            if wave.bus_ripple_v:
                self._sum_vs += wave.bus_ripple_v * wave.ripple_integral_s(from_s, to_s)
            return
        level_v = wave.shunt_v * self._gain + self._offset_v
        if abs(level_v) + abs(wave.shunt_ripple_v) > self._range_v:
            self._sum_vs += self._clipped_integral_vs(from_s, to_s, level_v, wave)
            return
        self._sum_vs += level_v * span_s
        if wave.shunt_ripple_v:
            self._sum_vs += wave.shunt_ripple_v * self._gain * wave.ripple_integral_s(from_s, to_s)

    def _clipped_integral_vs(
        self, from_s: float, to_s: float, level_v: float, wave: Waveform
    ) -> float:
        """Return the integral when the peak leaves the range. Each sample is clipped by itself.

        A sample that a step of the rig cuts is clipped in two parts.
        """
        sample_s = self._running.duration_s / self._running.samples
        total_vs = 0.0
        while from_s < to_s:
            edge_s = self._start_s + sample_s * (
                floor((from_s - self._start_s) / sample_s + 1e-6) + 1
            )
            end_s = min(edge_s, to_s)
            ripple_vs = wave.shunt_ripple_v * self._gain * wave.ripple_integral_s(from_s, end_s)
            mean_v = level_v + ripple_vs / (end_s - from_s)
            total_vs += max(-self._range_v, min(self._range_v, mean_v)) * (end_s - from_s)
            from_s = end_s
        return total_vs

    def _finish(self, now_s: float) -> None:
        """End a conversion and fill its register.

        After the last of a cycle, multiply and set the flags.
        """
        is_shunt, duration_s, _, noise_v, root_samples, coarse, coarse_v, least, most = (
            self._running
        )
        mean_v = self._sum_vs / duration_s
        if noise_v:
            mean_v += self._gauss(0.0, noise_v) / root_samples
        steps = max(least, min(most, coarse * round(mean_v / coarse_v)))
        if is_shunt:
            self.registers[_SHUNT] = steps
        else:
            self._bus_steps = steps
        self._phase += 1
        if self._phase >= len(self._cycle):
            self._multiply()
            self._ready = True
            if self.registers[_CONFIG] & 4:  # continuous
                self._phase = 0
        self._begin(now_s)

    def _multiply(self) -> None:
        """Fill CURRENT and POWER: shunt * calibration / 4096, current * bus / 5000. Source: Rev F
        page 30.

        A current out of range sets OVF. The registers are then meaningless by the data sheet; here
        they hold the low 16 bits. The power, at most 32767 * 8000 / 5000, cannot be out of range
        alone.
        """
        current = int(self.registers[_SHUNT] * self.registers[_CALIBRATION] / 4096)
        power = abs(current) * self._bus_steps // 5000
        self._overflow = abs(current) > 0x7FFF
        self.registers[_CURRENT] = current & 0xFFFF
        self.registers[_POWER] = power & 0xFFFF
