"""From a request's body to a plan request: the artwork's measurement fills what is left out.

Calls here block.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from api.http.artworks.artwork_shelf import ArtworkShelf, UnknownArtworkError
from api.http.models.plan_request import PlanRequestBody
from controller.artwork.planned import request_fields
from controller.errors import RefusedError
from controller.planning.json_form import request_from_json
from controller.planning.request import PlanRequest


def request_of(body: PlanRequestBody, artworks: ArtworkShelf) -> PlanRequest:
    """Return the plan request in a body.

    A value that the body gives is used, also when it equals the default. The artwork fills what
    the body leaves out; null counts as left out. A body that holds a growth curve, as stored
    requests do, can be planned again after the artwork was deleted.

    Raises: RefusedError for an unknown artwork, no area, or an area that is not the growth curve's.
    """
    values = body.model_dump()
    if body.artwork is not None:
        for name, value in _measured(body, body.artwork, artworks).items():
            if name not in body.model_fields_set or values[name] is None:
                values[name] = value
    growth = values["growth_mm2"]
    if values["area_mm2"] is None:
        if growth is None:
            raise RefusedError("http.plan.area_missing", field="area_mm2")
        values["area_mm2"] = growth[0][1]
    elif growth is not None and not math.isclose(values["area_mm2"], growth[0][1], rel_tol=1e-9):
        raise RefusedError(
            "http.plan.area_differs",
            field="area_mm2",
            area_mm2=values["area_mm2"],
            growth_area_mm2=growth[0][1],
        )
    return request_from_json(values)


def _measured(body: PlanRequestBody, artwork: str, artworks: ArtworkShelf) -> dict[str, Any]:
    """Return the fields of a request that an artwork fills."""
    try:
        fields = request_fields(artworks.get(artwork).measure)
    except UnknownArtworkError:
        if body.growth_mm2 is None:
            raise
        return {}
    lines = [
        {"x_mm": line.x_mm, "y_mm": line.y_mm, "width_mm": line.width_mm}
        for line in fields["narrow_lines"]
    ]
    places = [asdict(place) for place in fields["places"]]
    pieces = [asdict(piece) for piece in fields["pieces_on_plate"]]
    return {
        **fields,
        "narrow_lines": lines,
        "places": places,
        "pieces_on_plate": pieces,
        "artwork": artwork,
    }
