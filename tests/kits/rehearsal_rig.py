"""A rehearsal rig with the real driver and gpiozero, and a socket for the bare chip."""

from __future__ import annotations

from collections.abc import Iterable
from math import pi

from gpiozero import DigitalOutputDevice

from controller.messages import Sample
from hardware.clock import VirtualClock
from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.faults.by_name import parse_fault
from hardware.rehearsal.rig import RehearsalRig
from hardware.rehearsal.spec import RehearsalSpec
from hardware.rehearsal.waveform import Waveform
from hardware.sensor.shunt_monitor import ShuntMonitor
from hardware.sensor_kinds import SENSOR_KINDS

POLL_S = 0.02
BOTH, SHUNT_ONLY, BUS_ONLY = 7, 5, 6
"""Modes of the INA219, continuous. Source: TI SBOS448 Rev F Table 7."""
CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION = range(6)


class Rig:
    """A bench, its relay and its sensor, polled by hand."""

    def __init__(
        self,
        spec: RehearsalSpec | None = None,
        faults: Iterable[str] = (),
        max_current_a: float = 10.0,
    ) -> None:
        self.spec = RehearsalSpec() if spec is None else spec
        self.clock = VirtualClock()
        self.model = RehearsalRig(self.spec, self.clock, [parse_fault(text) for text in faults])
        self.relay = DigitalOutputDevice(
            self.spec.relay_pin,
            active_high=True,
            initial_value=False,
            pin_factory=self.model.pin_factory,
        )
        self.sensor = ShuntMonitor(
            SENSOR_KINDS[self.spec.sensor].registers,
            self.model.bus,
            self.clock,
            address=self.spec.i2c_address,
            shunt_ohm=self.spec.shunt_ohm,
            max_current_a=max_current_a,
        )

    def poll_for(self, seconds: float, poll_s: float = POLL_S) -> list[Sample]:
        """Poll for that long and return the fresh samples."""
        samples = []
        end_s = self.clock.monotonic_s() + seconds
        while self.clock.monotonic_s() < end_s:
            self.clock.advance(poll_s)
            sample = self.sensor.poll()
            if sample is not None:
                samples.append(sample)
        return samples

    def zero_a(self, count: int = 16) -> tuple[float, Sample]:
        """Return the mean of so many samples, and the last of them."""
        samples: list[Sample] = []
        while len(samples) < count:
            samples += self.poll_for(POLL_S)
        return sum(sample.current_a for sample in samples) / count, samples[-1]


def steady(shunt_v=0.0, bus_v=0.0, shunt_ripple_v=0.0, bus_ripple_v=0.0, hz=100.0, phase_rad=0.0):
    return Waveform(shunt_v, shunt_ripple_v, bus_v, bus_ripple_v, 2.0 * pi * hz, phase_rad)


def configuration(mode=BOTH, shunt_adc=0b0011, bus_adc=0b0011, gain=3, wide=0):
    return wide << 13 | gain << 11 | bus_adc << 7 | shunt_adc << 3 | mode


class Socket:
    """A chip with a waveform at its inputs, read and written by its bytes."""

    def __init__(self, wave, **parameters):
        self.chip = Ina219Chip(**parameters)
        self.wave = wave
        self.now_s = 0.0

    def write(self, register, word):
        self.chip.receive(bytes([register]) + word.to_bytes(2, "big"), self.now_s)

    def read(self, register):
        self.chip.receive(bytes([register]), self.now_s)
        return int.from_bytes(self.chip.transmit(2), "big")

    def signed(self, register):
        word = self.read(register)
        return word - 0x10000 if word & 0x8000 else word

    def advance_to(self, now_s):
        self.chip.feed(self.now_s, now_s, self.wave)
        self.now_s = now_s

    def advance(self, seconds):
        self.advance_to(self.now_s + seconds)

    def ready(self):
        return bool(self.read(BUS) & 2)

    def bus_steps(self):
        return self.read(BUS) >> 3

    def convert(self, word):
        """Write a configuration and wait for the end of its cycle."""
        self.write(CONFIG, word)
        while not self.ready():
            self.advance_to(self.chip.due_s)
        return self.signed(SHUNT)
