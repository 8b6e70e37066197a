"""A fault of the rehearsal rig: a name, a time, and its effect on the parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from hardware.rehearsal.circuit import Circuit
from hardware.rehearsal.sensor_chip import SensorChip
from hardware.rehearsal.thermometer import BathThermometer
from hardware.rehearsal.wire import I2cWire


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault that will happen.

    :param name: one of FAULTS.
    :param at_s: time after the relay is first energised; 0 means present from the start, checks
        included.
    """

    name: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts that a fault can change."""

    circuit: Circuit
    chip: SensorChip
    wire: I2cWire
    thermometer: BathThermometer = field(default_factory=BathThermometer)


@dataclass(frozen=True, slots=True)
class FaultKind:
    """How a fault begins and evolves.

    :param begin: called once with the parts, the clock's time in s, and whether the fault is
        present from the start.
    :param momentary: it is over at once. At 0 it comes when the relay first turns on, not before.
    :param evolve: called before each step with the parts and the time since it began, s; None for a
        fault that does not change.
    """

    begin: Callable[[Parts, float, bool], None]
    momentary: bool = False
    evolve: Callable[[Parts, float], None] | None = None
