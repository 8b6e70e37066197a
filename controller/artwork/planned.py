"""From a measured artwork to the fields of a plan request: one place for the command line and the API. Standard library only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from controller.artwork import limits
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError
from controller.planning.request import NarrowLine

PLAN_UNDERCUT_MM = 1.0
"""Resist lines up to twice this wide are listed, so that one measurement serves every plan with a smaller undercut."""

LEAST_ETCH_FACTOR = 0.5
"""Etch factor that the shorter measurement must allow for; a deeper plan needs the longer one. Below the 10 % point of the
priors, which is 0.77 (common practice, no source)."""

EDGE_TRANSFER_MM = 0.01
"""How far an edge of the resist may lie off the artwork's after exposure and development, one standard deviation. The artwork's
own uncertainty knows nothing of that. Common practice, no source."""

LEAST_AREA_UNCERTAINTY_FRACTION = 0.001
"""No plate is known better than the measuring of its artwork: 0.1 % of the area (tests/artwork/test_accuracy.py)."""

MAX_AREA_UNCERTAINTY_FRACTION = 0.45
"""Openings so fine that their area is unknown by more cannot be planned from it."""


@dataclass(frozen=True, slots=True)
class ArtworkFile:
    """An artwork file and how to read it."""

    path: Path
    options: MeasureOptions


def planning_options(options: MeasureOptions, depth_mm: float | None = None) -> MeasureOptions:
    """Return how to measure for a plan: with the lines and the growth curve that its undercut may need.

    The same for all common depths, so that a kept measurement is found again.

    :param depth_mm: target depth, or None when it is not known yet.
    """
    deep = depth_mm is not None and depth_mm > PLAN_UNDERCUT_MM * LEAST_ETCH_FACTOR
    undercut_mm = limits.MAX_UNDERCUT_MM if deep else PLAN_UNDERCUT_MM
    return replace(options, depth_mm=undercut_mm, etch_factor=1.0, max_undercut_mm=undercut_mm)


def request_fields(measure: ArtworkMeasure) -> dict[str, Any]:
    """Return the fields of a PlanRequest that the artwork fills: area, edge, growth, doubt, narrow lines, openings, hash.

    All copies of the measurement count as one artwork: the plan's ``pieces`` multiply it again.
    Raises: RefusedError when the openings are too fine for their area to be known.
    """
    line, gap = measure.lost_lines, measure.narrowest_open
    return {
        "area_mm2": measure.area_mm2,
        "edge_mm": measure.edge_mm,
        "growth_mm2": measure.growth_mm2,
        "area_uncertainty_fraction": _area_uncertainty_fraction(measure),
        "narrow_lines": tuple(NarrowLine(place.x_mm, place.y_mm, place.width_mm) for place in line),
        "narrowest_open_mm": None if gap is None else gap.width_mm,
        "artwork": measure.sha256,
    }


def _area_uncertainty_fraction(measure: ArtworkMeasure) -> float:
    """Return one standard deviation of the bare area on the plate over itself: of the measurement and of the resist's edge."""
    off_mm2 = math.hypot(measure.area_uncertainty_mm2, measure.edge_mm * EDGE_TRANSFER_MM)
    fraction = off_mm2 / measure.area_mm2
    if fraction > MAX_AREA_UNCERTAINTY_FRACTION:
        raise RefusedError(
            f"the openings are so fine ({measure.edge_mm:.0f} mm of edge around {measure.area_mm2:.1f} mm2) that resist edges "
            f"{EDGE_TRANSFER_MM:g} mm off change the open area by {fraction:.0%}, limit {MAX_AREA_UNCERTAINTY_FRACTION:.0%}: "
            "draw wider openings",
            field="artwork",
            limit=f"{MAX_AREA_UNCERTAINTY_FRACTION:.0%}",
        )
    return max(fraction, LEAST_AREA_UNCERTAINTY_FRACTION)
