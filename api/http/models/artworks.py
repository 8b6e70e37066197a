"""Artworks: how a file is read, and what was measured."""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime
from typing import Annotated, Any

from api.http.models.base import (
    HASH,
    NO_UNIT,
    Answer,
    described,
    example_of,
)
from controller.artwork.entry import Artwork

ArtworkName = Annotated[
    str, described("Name of the artwork, for a plan's artwork.", NO_UNIT, "3f" * 32, pattern=HASH)
]


class LinePlaceAnswer(Answer):
    """A narrow line where it is narrowest."""

    x_mm: Annotated[
        float, described("Middle of the line, from the artwork's left edge.", "mm", 12.4)
    ]
    y_mm: Annotated[float, described("The same from its top edge.", "mm", 7.1)]
    width_mm: Annotated[float, described("Width across the line.", "mm", 0.31)]
    length_mm: Annotated[
        float | None,
        described("Length of the part that is so narrow; null when not measured.", "mm", 4.2),
    ]


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


_LINE = {"x_mm": 12.4, "y_mm": 7.1, "width_mm": 0.31, "length_mm": 4.2}
_CURVE = [[0.0, 712.4], [0.005, 715.6], [1.0, 1224.9]]


class MeasureAnswer(Answer):
    """What was measured of one copy. Uncertainties are one standard deviation."""

    area_mm2: Annotated[float, described("Open area.", "mm2", 712.4)]
    area_uncertainty_mm2: Annotated[float, described("Of the open area.", "mm2", 0.5)]
    edge_mm: Annotated[
        float, described("Length of the edges between metal and resist.", "mm", 640.2)
    ]
    edge_uncertainty_mm: Annotated[float, described("Of the edge length.", "mm", 2.1)]
    growth_mm2: Annotated[
        tuple[tuple[float, float], ...],
        described(
            "Pairs: growth into the resist in mm, rising from 0, and the open area in mm2.",
            "mm2",
            _CURVE,
        ),
    ]
    growth_uncertainty_mm2: Annotated[
        tuple[tuple[float, float], ...],
        described(
            "Pairs: growth in mm, and the uncertainty in mm2.", "mm2", [[0.0, 0.5], [1.0, 2.4]]
        ),
    ]
    width_mm: Annotated[
        float, described("Width of the plate, or of the sheet without an outline.", "mm", 60.0)
    ]
    height_mm: Annotated[float, described("Height of it.", "mm", 40.0)]
    open_fraction: Annotated[float, described("Share of it that is open.", NO_UNIT, 0.297)]
    open_fields: Annotated[int, described("Separate open fields.", NO_UNIT, 14)]
    narrowest_resist: Annotated[
        LinePlaceAnswer | None,
        described("Narrowest resist line, null when there is none.", NO_UNIT, _LINE),
    ]
    narrowest_resist_mm: Annotated[float | None, described("Its width.", "mm", 0.31)]
    narrowest_open: Annotated[
        LinePlaceAnswer | None,
        described("Narrowest open line, null when there is none.", NO_UNIT, _LINE),
    ]
    narrowest_open_mm: Annotated[float | None, described("Its width.", "mm", 0.22)]
    undercut_mm: Annotated[
        float | None,
        described(
            "Undercut for which lost_lines were searched: more than any plan has.", "mm", 1.0
        ),
    ]
    lost_lines: Annotated[
        tuple[LinePlaceAnswer, ...],
        described(
            "Resist lines narrower than twice that, narrowest first. A plan lists those it loses.",
            NO_UNIT,
            [_LINE],
        ),
    ]
    lost_line_count: Annotated[
        int, described("Number of all these lines, also those not listed.", NO_UNIT, 1)
    ]
    copies: Annotated[int, described("Copies measured.", NO_UNIT, 1)]
    inverted: Annotated[bool, described("Whether light counts as open.", NO_UNIT, False)]
    threshold_level: Annotated[
        float, described("Grey level, 0 to 255, that counts as half open.", NO_UNIT, 127.5)
    ]
    quality: Annotated[
        str,
        described(
            "grey (shaded edges), one_bit, noisy, or drawing (vector file).", NO_UNIT, "drawing"
        ),
    ]
    file_format: Annotated[str, described("What the file is.", NO_UNIT, "PDF")]
    page: Annotated[int, described("Page or frame.", NO_UNIT, 1)]
    width_px: Annotated[int, described("Width of the picture.", "px", 1417)]
    height_px: Annotated[int, described("Height of the picture.", "px", 945)]
    dpi: Annotated[float, described("Resolution of the picture.", "dpi", 600.0)]
    grid_dpi: Annotated[float, described("Resolution of the measuring grid.", "dpi", 600.0)]
    scale_source: Annotated[
        str, described("Where the physical size comes from.", NO_UNIT, "page size")
    ]
    sha256: Annotated[str, described("Hash of the file's bytes.", NO_UNIT, "9a" * 32)]
    version: Annotated[str, described("Version of the measurement.", NO_UNIT, "1")]
    warnings: Annotated[
        tuple[str, ...], described("What may be wrong with the file.", NO_UNIT, ["2 mm2 is grey"])
    ]
    places: Annotated[
        tuple[DepthPlaceAnswer, ...],
        described(
            "How deep each place gets against the mean depth.",
            NO_UNIT,
            [example_of(DepthPlaceAnswer)],
        ),
    ]
    bath_resistance_ohm: Annotated[
        tuple[float, ...],
        described(
            "Resistance of the bath between plate and minus plate, for each evenness as in places.",
            "ohm",
            [0.49, 0.49, 0.48, 0.48, 0.47, 0.46, 0.45, 0.43, 0.41, 0.4, 0.38],
        ),
    ]


class ReadAs(Answer):
    """How the file was read."""

    dpi: Annotated[float | None, described("Resolution given.", "dpi", 600.0)]
    width_mm: Annotated[float | None, described("Width given.", "mm", 210.0)]
    page: Annotated[int, described("Page or frame.", NO_UNIT, 1)]
    invert: Annotated[bool, described("Light is etched instead of dark.", NO_UNIT, False)]
    plate_width_mm: Annotated[float | None, described("Width of the plate outline.", "mm", 60.0)]
    plate_height_mm: Annotated[float | None, described("Height of the plate outline.", "mm", 40.0)]
    margin_mm: Annotated[float | None, described("Margin outside the plate.", "mm", 5.0)]


class ArtworkListed(Answer):
    """An artwork as the list shows it."""

    artwork: ArtworkName
    name: Annotated[str, described("Name of the file.", NO_UNIT, "fern brooch.pdf")]
    uploaded_at_utc: Annotated[
        datetime, described("Wall time of the upload, a label.", NO_UNIT, "2026-03-14T08:50:12Z")
    ]
    file_bytes: Annotated[int, described("Size of the file in bytes.", NO_UNIT, 48_213)]
    file_format: Annotated[str, described("What the file is.", NO_UNIT, "PDF")]
    area_mm2: Annotated[float, described("Open area.", "mm2", 712.4)]
    edge_mm: Annotated[float, described("Length of the edges.", "mm", 640.2)]
    width_mm: Annotated[float, described("Width of the plate, or of the sheet.", "mm", 60.0)]
    height_mm: Annotated[float, described("Height of it.", "mm", 40.0)]

    @classmethod
    def of(cls, found: Artwork) -> ArtworkListed:
        """Return an artwork."""
        return cls.model_validate(_listed(found))


class ArtworkAnswer(ArtworkListed):
    """An artwork with all its measurements."""

    read_as: Annotated[
        ReadAs,
        described(
            "How the file was read.",
            NO_UNIT,
            {
                "dpi": None,
                "width_mm": None,
                "page": 1,
                "invert": False,
                "plate_width_mm": None,
                "plate_height_mm": None,
                "margin_mm": None,
            },
        ),
    ]
    measure: Annotated[
        MeasureAnswer, described("What was measured.", NO_UNIT, example_of(MeasureAnswer))
    ]

    @classmethod
    def of(cls, found: Artwork) -> ArtworkAnswer:
        """Return an artwork."""
        measure = MeasureAnswer.model_validate(found.measure.to_shown_dict())
        return cls.model_validate(
            {**_listed(found), "read_as": ReadAs.model_validate(found.options), "measure": measure}
        )


class ArtworkList(Answer):
    """Artworks, last used first."""

    artworks: Annotated[
        tuple[ArtworkListed, ...], described("The artworks.", NO_UNIT, [example_of(ArtworkListed)])
    ]


def _listed(found: Artwork) -> dict[str, Any]:
    own = {
        field.name: getattr(found, field.name)
        for field in fields(found)
        if field.name in ArtworkListed.model_fields
    }
    measured = {
        name: getattr(found.measure, name)
        for name in ("file_format", "area_mm2", "edge_mm", "width_mm", "height_mm")
    }
    return {**own, **measured}
