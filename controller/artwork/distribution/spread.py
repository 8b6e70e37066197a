"""What a plate's map says: places, and the resistance of the bath."""

from __future__ import annotations

from dataclasses import dataclass

from controller.artwork.distribution.places import find_places, ratios_by_evenness
from controller.artwork.distribution.plate_map import MapCanvas
from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from controller.physics.places import Place

_S_PER_MM = 1e-3
"""S/mm per S/m."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How the current spreads over a plate.

    :param bath_resistance_ohm: between all copies and the minus plate, for each value of
        EVENNESS_GRID, without the surface of the metal.
    """

    places: tuple[Place, ...] = ()
    bath_resistance_ohm: tuple[float, ...] = ()


def spread_of(canvas: MapCanvas | None, sheet: Sheet, options: MeasureOptions) -> Spread:
    """Return the places of one copy and the resistance of the bath for all of them.

    Copies count as plates in baths of their own, side by side: each has the bath's margin to
    itself. Copies that share the margin get less current at the sides that face each other.
    """
    if canvas is None or options.bath is None:
        return Spread()
    plate = canvas.plate_map(sheet.plate_mm, sheet.origin_mm)
    solver = CurrentSolver(plate.open_share, plate.pixel_mm, options.bath)
    ratios, bath_mm = ratios_by_evenness(solver)
    area_mm2 = options.copies * solver.open_pixels * plate.pixel_mm**2
    per_ohm = options.bath.conductivity_s_per_m * _S_PER_MM * area_mm2
    return Spread(find_places(plate, ratios), tuple(length / per_ohm for length in bath_mm))
