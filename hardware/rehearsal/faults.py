"""Faults of the rehearsal bench: by name, at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

from controller.errors import RefusedError
from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.circuit import Circuit
from hardware.rehearsal.supply import WORST_RIPPLE_FRACTION, WORST_RIPPLE_HZ
from hardware.rehearsal.wire import I2cWire

SHORT_OHM = 0.03
"""Plate touching the cathode, clips and wet contact included, ohm. Common practice, no source."""


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
    chip: Ina219Chip
    wire: I2cWire


@dataclass(frozen=True, slots=True)
class FaultKind:
    """How a fault begins.

    :param begin: called once with the parts, the clock's time in s, and whether it is there from the beginning.
    :param momentary: it is over at once; at 0 it comes with the first turning on, not before.
    """

    begin: Callable[[Parts, float, bool], None]
    momentary: bool = False


FAULTS: dict[str, FaultKind] = {}
"""Every fault by its name."""


def _named(
    name: str, *, momentary: bool = False
) -> Callable[[Callable[[Parts, float, bool], None]], Callable[[Parts, float, bool], None]]:
    def enter(begin: Callable[[Parts, float, bool], None]) -> Callable[[Parts, float, bool], None]:
        FAULTS[name] = FaultKind(begin, momentary)
        return begin

    return enter


def parse_fault(text: str) -> Fault:
    """Return the fault in NAME@SECONDS.

    Raises: RefusedError for an unknown name, which lists the known ones, and for a time that is none.
    """
    name, mark, seconds = text.partition("@")
    try:
        at_s = float(seconds)
    except ValueError:
        at_s = -1.0
    if name not in FAULTS or not mark or not isfinite(at_s) or at_s < 0.0:
        raise RefusedError(
            f"fault {text!r} cannot be used: give NAME@SECONDS, seconds from 0 up after the relay first turns on "
            f"(0: there from the beginning), and one of the names {', '.join(FAULTS)}",
            field="fault",
            limit="NAME@SECONDS",
        )
    return Fault(name, at_s)


@_named("lead_off")
def _lead_off(parts: Parts, now_s: float, from_start: bool) -> None:
    """The lead behind the sensor is off: no current, the sensor sees the supply's open terminal."""
    parts.circuit.lead_off = True


@_named("short_circuit")
def _short_circuit(parts: Parts, now_s: float, from_start: bool) -> None:
    """Plate and cathode touch."""
    parts.circuit.bridge_ohm = SHORT_OHM


@_named("supply_runaway")
def _supply_runaway(parts: Parts, now_s: float, from_start: bool) -> None:
    """Regulation and current limit are lost, the raw rail comes through."""
    parts.circuit.supply.run_away()


@_named("supply_lost")
def _supply_lost(parts: Parts, now_s: float, from_start: bool) -> None:
    """The supply gives nothing."""
    parts.circuit.supply.dead = True


@_named("polarity_reversed")
def _polarity_reversed(parts: Parts, now_s: float, from_start: bool) -> None:
    """The supply's leads are swapped."""
    parts.circuit.supply.polarity = -1


@_named("relay_welded")
def _relay_welded(parts: Parts, now_s: float, from_start: bool) -> None:
    """The contact does not break any more; from the beginning it is closed all the time."""
    parts.circuit.contact.weld(now_s if from_start else None)


@_named("chip_reset", momentary=True)
def _chip_reset(parts: Parts, now_s: float, from_start: bool) -> None:
    """The chip's supply fails for a moment, its registers are back at their power-on values."""
    parts.chip.power_on(now_s)


@_named("i2c_errors")
def _i2c_errors(parts: Parts, now_s: float, from_start: bool) -> None:
    """Nobody acknowledges on the bus."""
    parts.wire.break_off()


@_named("bus_stuck")
def _bus_stuck(parts: Parts, now_s: float, from_start: bool) -> None:
    """Every transaction blocks for a second and times out."""
    parts.wire.stick()


@_named("sample_stuck")
def _sample_stuck(parts: Parts, now_s: float, from_start: bool) -> None:
    """The chip does not convert any more; its registers answer with old values."""
    parts.chip.stick()


@_named("ripple_worst")
def _ripple_worst(parts: Parts, now_s: float, from_start: bool) -> None:
    """The rectifier's capacitor is gone: large ripple of the frequency that averages worst, at its crest."""
    parts.circuit.supply.ripple_from_crest(WORST_RIPPLE_FRACTION, WORST_RIPPLE_HZ, now_s)
