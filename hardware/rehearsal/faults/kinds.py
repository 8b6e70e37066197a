"""What a fault of the rehearsal bench is: a name, a time, and what it does to the parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from hardware.rehearsal.circuit import Circuit
from hardware.rehearsal.sensor_chip import SensorChip
from hardware.rehearsal.wire import I2cWire


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault to come.

    :param name: one of FAULTS.
    :param at_s: time after the relay was first energised; 0 means there from the beginning, checks included.
    """

    name: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Parts:
    """What a fault can lay its hands on."""

    circuit: Circuit
    chip: SensorChip
    wire: I2cWire


@dataclass(frozen=True, slots=True)
class FaultKind:
    """How a fault begins.

    :param begin: called once with the parts, the clock's time in s, and whether it is there from the beginning.
    :param momentary: it is over at once; at 0 it comes with the first turning on, not before.
    :param evolve: called before each step with the parts and the time since it began, s, or None for what stays as it began.
    """

    begin: Callable[[Parts, float, bool], None]
    momentary: bool = False
    evolve: Callable[[Parts, float], None] | None = None
