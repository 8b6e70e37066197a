"""The bath as the current sees it: gap, conductivity, walls. Pure.

A surface resistance R at the open metal evens out what the bath alone would do. Over the
conductivity it is a length, R * sigma: the Wagner length. *Evenness* is that length on a scale
from 0 (uniform) to 1 (ohmic): evenness = 1 / (1 + R * sigma / SCALE_MM).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import RefusedError
from controller.units import not_negative, positive

SCALE_MM = 10.0
"""Wagner length, mm, at which evenness is 0.5. A choice of scale, not a measurement."""


@dataclass(frozen=True, slots=True)
class BathField:
    """Geometry and conductivity of a bath with plate and minus plate face to face.

    :param gap_mm: between plate and minus plate. Common practice: 50 to 100 mm.
    :param conductivity_s_per_m: of the bath.
    :param margin_mm: free liquid around the plate, up to the walls, which carry no current.
    :param minus_plate_mm: width and height of the minus plate, or None when it covers the bath's
        whole cross-section.
    """

    gap_mm: float = 60.0
    conductivity_s_per_m: float = 25.0
    margin_mm: float = 30.0
    minus_plate_mm: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        positive(self.gap_mm, "gap_mm", "mm")
        positive(self.conductivity_s_per_m, "conductivity_s_per_m", "S/m")
        not_negative(self.margin_mm, "margin_mm", "mm")


def wagner_length_mm(evenness: float) -> float:
    """Return R * sigma in mm: 0 for evenness 1, infinite for evenness 0. Raises: RefusedError."""
    if not 0.0 <= evenness <= 1.0:
        raise RefusedError("physics.places.evenness", field="evenness", evenness=evenness)
    return math.inf if evenness == 0.0 else SCALE_MM * (1.0 - evenness) / evenness


def evenness_of(wagner_mm: float) -> float:
    """Return the evenness of a Wagner length in mm, >= 0 or infinite. Raises: RefusedError."""
    if wagner_mm == math.inf:
        return 0.0
    not_negative(wagner_mm, "wagner_mm", "mm")
    return 1.0 / (1.0 + wagner_mm / SCALE_MM)
