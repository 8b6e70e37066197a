"""Places on the plate: how deep each is against the mean depth, for each evenness. Pure.

The measuring process computes the ratios from the artwork. Plan, learning and gauge only
interpolate between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.errors import RefusedError
from controller.physics.relief import interpolate

EVENNESS_GRID = (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0)
"""Values of evenness, from uniform to ohmic, for which a place has its ratio."""

MAX_PLACES = 40


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the plate, or all places of one kind.

    :param name: what it is, a key of the catalogue under ``places.name``: ``widest-floor-middle``.
    :param x_mm, y_mm: where to gauge it, from the artwork's top left corner.
    :param share_of_area: share of the open area that is of this kind, 0 to 1.
    :param ratios: depth here over the mean depth, for each value of EVENNESS_GRID; the first is 1.
    :param width_mm: width of the opening there, or None where it has none.
    """

    name: str
    x_mm: float
    y_mm: float
    share_of_area: float
    ratios: tuple[float, ...]
    width_mm: float | None = None

    def __post_init__(self) -> None:
        if len(self.ratios) != len(EVENNESS_GRID) or not all(
            math.isfinite(ratio) and ratio > 0.0 for ratio in self.ratios
        ):
            raise RefusedError("physics.places.ratios", field="places", name=self.name)

    def ratio(self, evenness: float) -> float:
        """Return depth here over the mean depth, linear between the grid's values.

        Raises: RefusedError for an evenness outside 0 to 1.
        """
        if not 0.0 <= evenness <= 1.0:
            raise RefusedError("physics.places.evenness", field="evenness", evenness=evenness)
        return interpolate(tuple(zip(EVENNESS_GRID, self.ratios, strict=True)), evenness)
