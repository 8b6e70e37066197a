"""From a wish to the controller's request: what was measured of its artwork is filled in. Calls here block."""

from __future__ import annotations

import math
from typing import Any

from api.http.artwork_shelf import ArtworkShelf, UnknownArtworkError
from api.http.models.plan import PlanWish
from controller.artwork.planned import request_fields
from controller.errors import RefusedError
from controller.planning.json_form import request_from_json
from controller.planning.request import PlanRequest


def request_of(wish: PlanWish, artworks: ArtworkShelf) -> PlanRequest:
    """Return what a wish asks for.

    Of its artwork everything is taken that the wish leaves out or at its default. A wish that brings a growth curve of its own,
    as stored ones do, can be planned again when the artwork is kept no longer.

    Raises: RefusedError for an unknown artwork, no area, or an area that is not the growth curve's.
    """
    values = wish.model_dump()
    if wish.artwork is not None:
        for name, value in _measured(wish, wish.artwork, artworks).items():
            if values[name] is None or values[name] == PlanWish.model_fields[name].default:
                values[name] = value
    growth = values["growth_mm2"]
    if values["area_mm2"] is None:
        if growth is None:
            raise RefusedError(
                "area_mm2 is missing in mm2: give it, or measure an artwork and name it",
                field="area_mm2",
            )
        values["area_mm2"] = growth[0][1]
    elif growth is not None and not math.isclose(values["area_mm2"], growth[0][1], rel_tol=1e-9):
        raise RefusedError(
            f"area_mm2 is {values['area_mm2']:g} mm2, the growth curve begins at {growth[0][1]:g} mm2: leave one of them out",
            field="area_mm2",
            limit=f"{growth[0][1]:g} mm2",
        )
    return request_from_json(values)


def _measured(wish: PlanWish, artwork: str, artworks: ArtworkShelf) -> dict[str, Any]:
    """Return the fields of a request that an artwork fills."""
    try:
        fields = request_fields(artworks.get(artwork).measure)
    except UnknownArtworkError:
        if wish.growth_mm2 is None:
            raise
        return {}
    lines = [
        {"x_mm": line.x_mm, "y_mm": line.y_mm, "width_mm": line.width_mm}
        for line in fields["narrow_lines"]
    ]
    return {**fields, "narrow_lines": lines, "artwork": artwork}
