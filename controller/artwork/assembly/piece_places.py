"""The places of one piece, from the map of the whole plate. Runs inside the worker process."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from controller.artwork.assembly.layout import Point
from controller.artwork.distribution.places import Ratios, find_places
from controller.artwork.distribution.plate_map import PlateMap
from controller.physics.places import Place

_DIGITS = 5
"""Of the ratios: a hundred pieces have seven places each, and one answer must hold them."""


def piece_places(plate: PlateMap, ratios: Ratios, outline: Sequence[Point]) -> tuple[Place, ...]:
    """Return the places of a piece, on the plate; their ratios are to the mean of the whole plate.

    The share of the area is that of the piece's own open area.

    :param outline: the piece's corners on the plate, in mm.
    """
    pixel_mm = plate.pixel_mm
    height, width = plate.open_share.shape
    columns = _span([x for x, _ in outline], plate.origin_mm[0], pixel_mm, width)
    rows = _span([y for _, y in outline], plate.origin_mm[1], pixel_mm, height)
    part = (slice(*rows), slice(*columns))
    y_mm = plate.origin_mm[1] + (np.arange(*rows)[:, np.newaxis] + 0.5) * pixel_mm
    x_mm = plate.origin_mm[0] + (np.arange(*columns) + 0.5) * pixel_mm
    inside = np.ones((rows[1] - rows[0], columns[1] - columns[0]), bool)
    for (x0, y0), (x1, y1) in zip(outline, (*outline[1:], outline[0]), strict=True):
        # Clockwise as seen on the picture, so the inside is on the right of each side.
        inside &= (x1 - x0) * (y_mm - y0) - (y1 - y0) * (x_mm - x0) >= -pixel_mm * math.hypot(
            x1 - x0, y1 - y0
        )
    own = PlateMap(
        np.where(inside, plate.open_share[part], 0.0),
        np.where(inside, plate.fine_share[part], 0.0),
        pixel_mm,
        (
            plate.origin_mm[0] + columns[0] * pixel_mm,
            plate.origin_mm[1] + rows[0] * pixel_mm,
        ),
    )
    own_ratios = {evenness: found[part] for evenness, found in ratios.items()}
    if not any((own.open_share[found > 0.0] > 0.0).any() for found in own_ratios.values()):
        return ()
    return tuple(
        replace(place, ratios=tuple(round(ratio, _DIGITS) for ratio in place.ratios))
        for place in find_places(own, own_ratios)
    )


def _span(values: Sequence[float], origin: float, pixel_mm: float, most: int) -> tuple[int, int]:
    """Return the first pixel that an outline touches, and the one behind the last."""
    first = max(0, math.floor((min(values) - origin) / pixel_mm) - 1)
    last = min(most, math.ceil((max(values) - origin) / pixel_mm) + 1)
    return first, max(first, last)
