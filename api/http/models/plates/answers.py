"""Places and pieces of an artwork, as an answer has them."""

from __future__ import annotations

from typing import Annotated

from api.http.models.base import NO_UNIT, Answer, described


class DepthPlaceAnswer(Answer):
    """A place on the plate, or all places of one kind, with its depth over the mean depth."""

    name: Annotated[str, described("What it is.", NO_UNIT, "widest-floor-middle")]
    x_mm: Annotated[
        float, described("Where to gauge it, from the artwork's left edge.", "mm", 15.0)
    ]
    y_mm: Annotated[float, described("The same from its top edge.", "mm", 12.0)]
    share_of_area: Annotated[float, described("Its share of the open area.", NO_UNIT, 0.1)]
    ratios: Annotated[
        tuple[float, ...],
        described(
            "Depth there over the mean depth, for each evenness from 0 (uniform) to 1 (ohmic) on "
            "the grid 0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.",
            NO_UNIT,
            [1.0, 0.99, 0.98, 0.96, 0.92, 0.85, 0.76, 0.66, 0.52, 0.42, 0.28],
        ),
    ]
    width_mm: Annotated[
        float | None, described("Width of the opening there; null at an edge.", "mm", 19.6)
    ]


class PieceLineAnswer(Answer):
    """A narrow resist line of a piece, where it is narrowest."""

    x_mm: Annotated[float, described("From the plate's left edge.", "mm", 12.4)]
    y_mm: Annotated[float, described("From its top edge.", "mm", 7.1)]
    width_mm: Annotated[float, described("Width across the line.", "mm", 0.31)]


class PieceAnswer(Answer):
    """A piece of a plate that was put together from several artworks."""

    name: Annotated[str, described("Name of its file.", NO_UNIT, "fern brooch.pdf")]
    sha256: Annotated[str, described("Hash of its file's bytes.", NO_UNIT, "9a" * 32)]
    x_mm: Annotated[float, described("Left edge of the turned piece, on the plate.", "mm", 5.0)]
    y_mm: Annotated[float, described("Its top edge.", "mm", 5.0)]
    degrees: Annotated[float, described("Turned clockwise by this much.", "degrees", 90.0)]
    width_mm: Annotated[float, described("Width of its outline before it turns.", "mm", 30.0)]
    height_mm: Annotated[float, described("Height of its outline.", "mm", 20.0)]
    area_mm2: Annotated[float, described("Its open area.", "mm2", 356.2)]
    area_uncertainty_mm2: Annotated[
        float, described("Standard deviation of the measured area.", "mm2", 0.3)
    ]
    edge_mm: Annotated[float, described("Length of its edges.", "mm", 320.1)]
    narrow_lines: Annotated[
        tuple[PieceLineAnswer, ...],
        described("Its narrow resist lines, narrowest first.", NO_UNIT, []),
    ]
    line_count: Annotated[
        int, described("Number of these lines, also those not listed.", NO_UNIT, 0)
    ]
    narrowest_open_mm: Annotated[float | None, described("Its narrowest opening.", "mm", 0.22)]
    places: Annotated[
        tuple[DepthPlaceAnswer, ...],
        described(
            "How deep its places get against the mean depth of the plate. The shares are of the "
            "piece's own open area.",
            NO_UNIT,
            [],
        ),
    ]
