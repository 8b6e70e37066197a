"""Reliefs: what is asked of an etched plate, and what is answered."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, RequestModel, described
from controller.artwork.relief.options import (
    HEIGHT_MAP,
    MAX_DEPTH_MM,
    PICTURE,
    PRIOR_ETCH_FACTOR,
    PRIOR_EVENNESS,
    ReliefOptions,
)
from controller.physics.bath_field import BathField

DEPTH_STEP_MM, FACTOR_STEP, EVENNESS_STEP = 0.01, 0.05, 0.02
"""Steps in which pictures are made: finer than an eye sees, and few pictures to keep."""

_COORDINATE = {"ge": -1000.0, "le": 1000.0, "allow_inf_nan": False}


class BathQuery(RequestModel):
    """How the bath etches."""

    etch_factor: Annotated[
        float,
        described(
            "Depth over undercut per side.", NO_UNIT, 1.2, ge=0.1, le=20.0, allow_inf_nan=False
        ),
    ] = PRIOR_ETCH_FACTOR
    evenness: Annotated[
        float,
        described(
            "How far the depth follows the current: 0 uniform, 1 as without surface resistance.",
            NO_UNIT,
            0.2,
            ge=0.0,
            le=1.0,
            allow_inf_nan=False,
        ),
    ] = PRIOR_EVENNESS


class ReliefQuery(BathQuery):
    """The relief that is wanted."""

    depth_mm: Annotated[
        float,
        described(
            "Depth in the middle of the widest floor.",
            "mm",
            0.25,
            ge=0.001,
            le=MAX_DEPTH_MM,
            allow_inf_nan=False,
        ),
    ]

    def options(self, *, is_height_map: bool, bath: BathField) -> ReliefOptions:
        """Return what to make. A picture's values are rounded, so that few are made.

        Raises: RefusedError for an impossible undercut.
        """
        if is_height_map:
            return ReliefOptions(HEIGHT_MAP, self.depth_mm, self.etch_factor, self.evenness, bath)
        return ReliefOptions(
            PICTURE,
            max(DEPTH_STEP_MM, _rounded(self.depth_mm, DEPTH_STEP_MM)),
            max(2 * FACTOR_STEP, _rounded(self.etch_factor, FACTOR_STEP)),
            _rounded(self.evenness, EVENNESS_STEP),
            bath,
        )


class SectionQuery(ReliefQuery):
    """A straight line over the plate, from the artwork's top left corner."""

    x0_mm: Annotated[float, described("Start of the line.", "mm", 4.0, **_COORDINATE)]
    y0_mm: Annotated[float, described("Start of the line.", "mm", 10.0, **_COORDINATE)]
    x1_mm: Annotated[float, described("End of the line.", "mm", 28.0, **_COORDINATE)]
    y1_mm: Annotated[float, described("End of the line.", "mm", 10.0, **_COORDINATE)]
    points: Annotated[int, described("Points of the profile.", NO_UNIT, 201, ge=2, le=1001)] = 201


class PlaceQuery(RequestModel):
    """A place on the plate, from the artwork's top left corner."""

    x_mm: Annotated[float, described("From the left edge.", "mm", 18.4, **_COORDINATE)]
    y_mm: Annotated[float, described("From the top edge.", "mm", 18.8, **_COORDINATE)]


class SectionAnswer(Answer):
    """The etched surface along a line."""

    length_mm: Annotated[float, described("Length of the line.", "mm", 24.0)]
    profile: Annotated[
        tuple[tuple[float, float], ...],
        described(
            "Pairs: distance along the line, and depth below the surface, 0 where it is whole.",
            "mm",
            [[0.0, 0.0], [0.12, 0.241]],
        ),
    ]


class TappedPlace(Answer):
    """A place that a person points at, and how deep it becomes against the mean."""

    name: Annotated[str, described("What it is.", NO_UNIT, "tapped")]
    x_mm: Annotated[float, described("From the artwork's left edge.", "mm", 18.4)]
    y_mm: Annotated[float, described("From its top edge.", "mm", 18.8)]
    share_of_area: Annotated[float, described("Always 0: it is one place.", NO_UNIT, 0.0)]
    ratios: Annotated[
        tuple[float, ...],
        described(
            "Depth here over the mean depth, for each value of evenness_grid.",
            NO_UNIT,
            [1.0, 0.99, 0.98, 0.96, 0.93, 0.87, 0.8, 0.7, 0.6, 0.5, 0.35],
        ),
    ]
    width_mm: Annotated[
        float | None, described("Width of the opening; null when unknown.", "mm", 1.2)
    ]
    evenness_grid: Annotated[
        tuple[float, ...],
        described(
            "The values of evenness.",
            NO_UNIT,
            [0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0],
        ),
    ]


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 9)
