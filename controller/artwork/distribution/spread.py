"""What a plate's map says: places, and the resistance of the bath."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from controller.artwork.distribution.places import Ratios, find_places, ratios_by_evenness
from controller.artwork.distribution.plate_map import MapCanvas, PlateMap
from controller.artwork.distribution.remedies import remedies
from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from controller.physics.bath_field import BathField
from controller.physics.places import Place
from controller.physics.remedies import Remedy

_S_PER_MM = 1e-3
"""S/mm per S/m."""

PartPlaces = Callable[[PlateMap, Ratios], tuple[Place, ...]]
"""Returns the places of a part of the plate."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How the current spreads over a plate.

    :param bath_resistance_ohm: between all copies and the minus plate, for each value of
        EVENNESS_GRID, without the surface of the metal.
    :param remedies: what would even the plate out, when somebody asked.
    :param of_parts: the places of each part of the plate that was asked for.
    """

    places: tuple[Place, ...] = ()
    bath_resistance_ohm: tuple[float, ...] = ()
    of_parts: tuple[tuple[Place, ...], ...] = ()
    remedies: tuple[Remedy, ...] = ()


def sheet_spread(
    canvas: MapCanvas | None,
    sheet: Sheet,
    options: MeasureOptions,
    parts: Sequence[PartPlaces] = (),
) -> Spread:
    """Return how the current spreads over a measured sheet; nothing when nobody asked."""
    if canvas is None or options.bath is None:
        return Spread()
    plate = canvas.plate_map(sheet.plate_mm, sheet.origin_mm)
    found = spread_of(plate, options.bath, options.copies, parts)
    if options.even_out_at is None:
        return found
    return replace(found, remedies=remedies(plate, options.bath, options.even_out_at))


def spread_of(
    plate: PlateMap, bath: BathField, copies: int, parts: Sequence[PartPlaces] = ()
) -> Spread:
    """Return the places of one copy and the resistance of the bath for all of them.

    Copies count as plates in baths of their own, side by side: each has the bath's margin to
    itself. Copies that share the margin get less current at the sides that face each other.
    """
    solver = CurrentSolver(plate.open_share, plate.pixel_mm, bath)
    ratios, bath_mm = ratios_by_evenness(solver)
    area_mm2 = copies * solver.open_pixels * plate.pixel_mm**2
    per_ohm = bath.conductivity_s_per_m * _S_PER_MM * area_mm2
    return Spread(
        find_places(plate, ratios),
        tuple(length / per_ohm for length in bath_mm),
        tuple(part(plate, ratios) for part in parts),
    )
