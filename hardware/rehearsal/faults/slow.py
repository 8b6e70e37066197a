"""Slow faults of bath and plate. Sizes and times are common practice, no source."""

from __future__ import annotations

from collections.abc import Callable

from hardware.rehearsal.cell import Cell
from hardware.rehearsal.faults.kinds import FaultKind, Parts

LEAK_FRACTION = 0.6
LEAK_S = 8.0
"""A tape lifts and bares metal of six tenths of the open area within seconds. Half of it shows in
the conductance."""

SLOW_STIR_S = 30.0
STILL_FRACTION = 0.97
"""Without stirring, the diffusion layer grows for half a minute, until the limiting current is just
below the current."""

HEATER_W = 120.0
"""A bath heater that does not switch off. It warms 1 L by 1.7 K a minute."""

DENDRITE_S = 45.0
DENDRITE_OHM = 0.9
"""A metal bridge grows from the cathode. Its conductance rises faster and faster, then stays."""

CORROSION_DOUBLES_S = 40.0
CORROSION_START_OHM = 0.02
"""The contact strip corrodes through at the waterline. Its resistance doubles in this time."""

LOST_PIECES_FRACTION = 0.5
"""One of two pieces loses contact. With constant current, the other takes all of it."""

FILM_OHM = 0.6
FILM_S = 60.0
"""Resistance of a black film on the plate after a minute."""


SLOW_FAULTS: dict[str, FaultKind] = {}


def _cell(parts: Parts) -> Cell:
    load = parts.circuit.load
    if not isinstance(load, Cell):
        raise TypeError(type(load).__name__)
    return load


def _nothing(_parts: Parts, _now_s: float, _from_start: bool) -> None:
    """Do nothing: a slow fault only evolves."""


def _named(name: str) -> Callable[[Callable[[Parts, float], None]], Callable[[Parts, float], None]]:
    def enter(evolve: Callable[[Parts, float], None]) -> Callable[[Parts, float], None]:
        SLOW_FAULTS[name] = FaultKind(_nothing, evolve=evolve)
        return evolve

    return enter


@_named("resist_leak")
def _resist_leak(parts: Parts, since_s: float) -> None:
    """Resist or tape lifts, and more bare metal takes a part of the current."""
    cell = _cell(parts)
    cell.leak_mm2 = LEAK_FRACTION * cell.front.exposed_area_mm2 * min(1.0, since_s / LEAK_S)


@_named("stirrer_stopped")
def _stirrer_stopped(parts: Parts, since_s: float) -> None:
    """The dissolved metal stays at the plate, and the limiting current falls to the current."""
    cell = _cell(parts)
    flowing = parts.circuit.supply.limit_a or 3.0
    still = STILL_FRACTION * flowing / cell.front.exposed_area_mm2 * 1e4
    share = min(1.0, since_s / SLOW_STIR_S)
    if still < cell.limiting_a_per_dm2:
        cell.limiting_a_per_dm2 += share * (still - cell.limiting_a_per_dm2)


@_named("bath_warming")
def _bath_warming(parts: Parts, since_s: float) -> None:
    """A heater warms the bath."""
    _cell(parts).heater_w = HEATER_W


@_named("dendrite_bridge")
def _dendrite_bridge(parts: Parts, since_s: float) -> None:
    """Metal grows from the cathode to the plate, and the counted charge no longer etches."""
    share = min(1.0, since_s / DENDRITE_S)
    if share > 0.0:
        parts.circuit.bridge_ohm = DENDRITE_OHM / share**3


@_named("contact_corroding")
def _contact_corroding(parts: Parts, since_s: float) -> None:
    """The resistance of the contact strip grows until hardly any current flows."""
    _cell(parts).lead_ohm = 0.03 + CORROSION_START_OHM * 2.0 ** min(
        40.0, since_s / CORROSION_DOUBLES_S
    )


@_named("one_piece_off")
def _one_piece_off(parts: Parts, since_s: float) -> None:
    """One of several pieces loses contact."""
    _cell(parts).active_fraction = LOST_PIECES_FRACTION


@_named("plate_lifted")
def _plate_lifted(parts: Parts, since_s: float) -> None:
    """A person lifts the plate without pressing Pause."""
    parts.circuit.lead_off = True


@_named("black_film")
def _black_film(parts: Parts, since_s: float) -> None:
    """A black film or passivation raises the resistance."""
    cell = _cell(parts)
    cell.film_ohm_mm2 = FILM_OHM * cell.front.exposed_area_mm2 * min(1.0, since_s / FILM_S)
