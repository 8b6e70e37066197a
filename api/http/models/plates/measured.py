"""Lines, places and pieces of an artwork, as a plan request has them."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import HASH, NO_UNIT, PLAIN_TEXT, RequestModel, described, number
from controller.artwork.limits import MAX_LISTED_LINES
from controller.physics.places import EVENNESS_GRID, MAX_PLACES


class NarrowLineBody(RequestModel):
    """A narrow resist line where it is narrowest."""

    x_mm: Annotated[float, number("From the artwork's left edge.", "mm", 12.4, ge=-1e3, le=1e3)]
    y_mm: Annotated[float, number("From its top edge.", "mm", 7.1, ge=-1e3, le=1e3)]
    width_mm: Annotated[float, number("Width across the line.", "mm", 0.31, ge=1e-4, le=100.0)]


Ratio = Annotated[float, number("Depth there over the mean depth.", NO_UNIT, 1.1, gt=0.0, le=1e3)]


class PlaceBody(RequestModel):
    """How deep a place of the artwork gets against the mean depth."""

    name: Annotated[
        str,
        described("What it is.", NO_UNIT, "widest-floor-middle", max_length=80, pattern=PLAIN_TEXT),
    ]
    x_mm: Annotated[float, number("From the artwork's left edge.", "mm", 12.4, ge=-1e3, le=1e3)]
    y_mm: Annotated[float, number("From its top edge.", "mm", 7.1, ge=-1e3, le=1e3)]
    share_of_area: Annotated[
        float, number("Share of the open area that is of this kind.", NO_UNIT, 0.4, ge=0.0, le=1.0)
    ]
    ratios: Annotated[
        tuple[Ratio, ...],
        described(
            f"For each evenness of {list(EVENNESS_GRID)}.",
            NO_UNIT,
            [1.0] * len(EVENNESS_GRID),
            min_length=len(EVENNESS_GRID),
            max_length=len(EVENNESS_GRID),
        ),
    ]
    width_mm: Annotated[
        float | None, number("Width of the opening there.", "mm", 12.0, gt=0.0, le=1e3)
    ] = None


class PieceOnPlateBody(RequestModel):
    """A piece of a plate that was put together from several artworks."""

    name: Annotated[
        str, described("Name of its file.", NO_UNIT, "fern.pdf", max_length=120, pattern=PLAIN_TEXT)
    ]
    sha256: Annotated[str, described("Hash of its file's bytes.", NO_UNIT, "9a" * 32, pattern=HASH)]
    x_mm: Annotated[
        float, number("Left edge of the turned piece, on the plate.", "mm", 5.0, ge=-1e3, le=1e3)
    ]
    y_mm: Annotated[float, number("Its top edge.", "mm", 5.0, ge=-1e3, le=1e3)]
    degrees: Annotated[
        float,
        number("Turned clockwise.", "degrees", 90.0, ge=-360.0, le=360.0),
    ]
    width_mm: Annotated[
        float, number("Width of its outline before it turns.", "mm", 30.0, gt=0.0, le=1e3)
    ]
    height_mm: Annotated[float, number("Height of its outline.", "mm", 20.0, gt=0.0, le=1e3)]
    area_mm2: Annotated[float, number("Its open area.", "mm2", 356.2, gt=0.0, le=1e6)]
    area_uncertainty_mm2: Annotated[
        float, number("Standard deviation of it.", "mm2", 0.3, ge=0.0, le=1e6)
    ]
    edge_mm: Annotated[float, number("Length of its edges.", "mm", 320.1, ge=0.0, le=1e6)]
    narrow_lines: Annotated[
        tuple[NarrowLineBody, ...],
        described("Its narrow resist lines.", NO_UNIT, [], max_length=MAX_LISTED_LINES),
    ] = ()
    line_count: Annotated[
        int, described("Number of them.", NO_UNIT, 0, strict=True, ge=0, le=10_000_000)
    ] = 0
    narrowest_open_mm: Annotated[
        float | None, number("Its narrowest opening.", "mm", 0.22, ge=1e-4, le=1e3)
    ] = None
    places: Annotated[
        tuple[PlaceBody, ...],
        described(
            "How deep its places get against the mean depth of the plate.",
            NO_UNIT,
            [],
            max_length=MAX_PLACES,
        ),
    ] = ()
