"""Sudden faults of wiring, supply, relay, sensor and bus."""

from __future__ import annotations

from collections.abc import Callable

from hardware.rehearsal.faults.kinds import FaultKind, Parts
from hardware.rehearsal.supply import WORST_RIPPLE_FRACTION, WORST_RIPPLE_HZ

SHORT_OHM = 0.03
"""Plate touching the cathode, clips and wet contact included, ohm. Common practice, no source."""

FAST_FAULTS: dict[str, FaultKind] = {}


def _named(
    name: str, *, momentary: bool = False
) -> Callable[[Callable[[Parts, float, bool], None]], Callable[[Parts, float, bool], None]]:
    def enter(begin: Callable[[Parts, float, bool], None]) -> Callable[[Parts, float, bool], None]:
        FAST_FAULTS[name] = FaultKind(begin, momentary)
        return begin

    return enter


@_named("lead_off")
def _lead_off(parts: Parts, now_s: float, from_start: bool) -> None:
    """The lead behind the sensor is off. No current flows; the terminal is open."""
    parts.circuit.lead_off = True


@_named("short_circuit")
def _short_circuit(parts: Parts, now_s: float, from_start: bool) -> None:
    """Plate and cathode touch."""
    parts.circuit.bridge_ohm = SHORT_OHM


@_named("supply_runaway")
def _supply_runaway(parts: Parts, now_s: float, from_start: bool) -> None:
    """Regulation and current limit are lost, and the raw rail comes through."""
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
    """The contact no longer breaks. As a fault from the start, it is always closed."""
    parts.circuit.contact.weld(now_s if from_start else None)


@_named("chip_reset", momentary=True)
def _chip_reset(parts: Parts, now_s: float, from_start: bool) -> None:
    """The chip's supply fails for a moment. Its registers return to their power-on values."""
    parts.chip.power_on(now_s)


@_named("i2c_errors")
def _i2c_errors(parts: Parts, now_s: float, from_start: bool) -> None:
    """No device on the bus acknowledges."""
    parts.wire.break_off()


@_named("bus_stuck")
def _bus_stuck(parts: Parts, now_s: float, from_start: bool) -> None:
    """Every transaction blocks for a second and times out."""
    parts.wire.stick()


@_named("sample_stuck")
def _sample_stuck(parts: Parts, now_s: float, from_start: bool) -> None:
    """The chip no longer converts. Its registers return old values."""
    parts.chip.stick()


@_named("thermometer_silent")
def _thermometer_silent(parts: Parts, now_s: float, from_start: bool) -> None:
    """A wire of the thermometer breaks."""
    parts.thermometer.fall_silent()


@_named("ripple_worst")
def _ripple_worst(parts: Parts, now_s: float, from_start: bool) -> None:
    """The rectifier's capacitor fails: large ripple, at its crest, of the worst frequency."""
    parts.circuit.supply.ripple_from_crest(WORST_RIPPLE_FRACTION, WORST_RIPPLE_HZ, now_s)
