"""A place on the plate, with its depth, in plans and status."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described
from controller.figures import PlaceFigures


class PlaceDepthAnswer(Answer):
    """A place on the plate and the depth there, with a 95 % interval."""

    name: Annotated[str, described("What it is.", NO_UNIT, "widest-floor-middle")]
    x_mm: Annotated[float, described("From the artwork's left edge.", "mm", 12.4)]
    y_mm: Annotated[float, described("From its top edge.", "mm", 7.1)]
    share_of_area: Annotated[
        float, described("Share of the open area that is of this kind.", NO_UNIT, 0.12)
    ]
    depth_mm: Annotated[float, described("Best estimate of the depth.", "mm", 0.25)]
    depth_low_mm: Annotated[float, described("Lower end of its 95 % interval.", "mm", 0.2)]
    depth_high_mm: Annotated[float, described("Upper end of its 95 % interval.", "mm", 0.31)]

    @classmethod
    def of(cls, place: PlaceFigures) -> PlaceDepthAnswer:
        """Return the depth at a place."""
        return cls.model_validate(place, from_attributes=True)


EXAMPLE = {
    "name": "widest-floor-middle",
    "x_mm": 12.4,
    "y_mm": 7.1,
    "share_of_area": 0.12,
    "depth_mm": 0.25,
    "depth_low_mm": 0.2,
    "depth_high_mm": 0.31,
}
