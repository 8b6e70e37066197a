"""Turns a measured artwork into the fields of a plan request, for the command line and the API.

Standard library only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from controller.artwork import limits
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.planning.request import NarrowLine

PLAN_UNDERCUT_MM = 1.0
"""Resist lines up to twice this wide are listed, so that one measurement serves every plan with a
smaller undercut."""

LEAST_ETCH_FACTOR = 0.5
"""Etch factor that the shorter measurement must allow for; a deeper plan needs the longer one.
Below the 10 % point of the priors, which is 0.77 (common practice, no source)."""

EDGE_TRANSFER_MM = 0.01
"""How far an edge of the resist may lie off the artwork's after exposure and development, one
standard deviation. The uncertainty of the measurement does not include it. Common practice, no
source."""

LEAST_AREA_UNCERTAINTY_FRACTION = 0.001
"""The measuring of the artwork itself is off by up to 0.1 % of the area
(tests/artwork/test_accuracy.py)."""

MAX_AREA_UNCERTAINTY_FRACTION = 0.45
"""Where the area is less certain than this, the openings are too fine for a plan."""


@dataclass(frozen=True, slots=True)
class ArtworkFile:
    """An artwork file and how to read it."""

    path: Path
    options: MeasureOptions


def planning_options(
    options: MeasureOptions, depth_mm: float | None = None, bath: BathField | None = None
) -> MeasureOptions:
    """Return how to measure for a plan, with the lines and the growth that its undercut may need.

    The result is the same for all common depths, so that a kept measurement is found again.

    :param depth_mm: target depth, or None when it is not known yet.
    :param bath: of the rig, for the depth at each place; without it the places stay empty.
    """
    deep = depth_mm is not None and depth_mm > PLAN_UNDERCUT_MM * LEAST_ETCH_FACTOR
    undercut_mm = limits.MAX_UNDERCUT_MM if deep else PLAN_UNDERCUT_MM
    return replace(
        options,
        depth_mm=undercut_mm,
        etch_factor=1.0,
        max_undercut_mm=undercut_mm,
        bath=bath,
    )


def request_fields(measure: ArtworkMeasure) -> dict[str, Any]:
    """Return the fields of a PlanRequest that the artwork fills.

    All copies of the measurement count as one artwork: the plan's ``pieces`` multiply it again.
    Raises: RefusedError when the openings are too fine for their area to be known.
    """
    lines, gap = measure.lost_lines, measure.narrowest_open
    return {
        "area_mm2": measure.area_mm2,
        "edge_mm": measure.edge_mm,
        "growth_mm2": measure.growth_mm2,
        "area_uncertainty_fraction": _area_uncertainty_fraction(measure),
        "narrow_lines": tuple(NarrowLine(line.x_mm, line.y_mm, line.width_mm) for line in lines),
        "narrowest_open_mm": None if gap is None else gap.width_mm,
        "artwork": measure.sha256,
        "places": measure.places,
    }


def _area_uncertainty_fraction(measure: ArtworkMeasure) -> float:
    """Return the standard deviation of the bare area on the plate, as a share of that area.

    It holds the uncertainty of the measurement and that of the resist's edges.
    """
    off_mm2 = math.hypot(measure.area_uncertainty_mm2, measure.edge_mm * EDGE_TRANSFER_MM)
    fraction = off_mm2 / measure.area_mm2
    if fraction > MAX_AREA_UNCERTAINTY_FRACTION:
        raise RefusedError(
            "artwork.too_fine",
            field="artwork",
            edge_mm=measure.edge_mm,
            area_mm2=measure.area_mm2,
            transfer_mm=EDGE_TRANSFER_MM,
            share_fraction=fraction,
            limit_fraction=MAX_AREA_UNCERTAINTY_FRACTION,
        )
    return max(fraction, LEAST_AREA_UNCERTAINTY_FRACTION)
