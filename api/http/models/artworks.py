"""Artworks: how a file is to be read, and what was measured of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from typing import Annotated, Any

from api.http.artwork_shelf import Artwork
from api.http.models.base import HASH, NO_UNIT, PLAIN_TEXT, Answer, RequestModel, example_of, said
from controller.artwork import limits
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import planning_options

ArtworkName = Annotated[
    str, said("Name of the artwork, for a plan's artwork.", NO_UNIT, "3f" * 32, pattern=HASH)
]

_SIDE: Mapping[str, float] = {"ge": limits.MIN_SIDE_MM, "le": limits.MAX_SIDE_MM}
_FINITE: Mapping[str, Any] = {"allow_inf_nan": False}


class UploadQuery(RequestModel):
    """How to read an artwork file, in the address, beside the file in the body."""

    name: Annotated[
        str,
        said(
            "Name of the file, for people.",
            NO_UNIT,
            "fern brooch.pdf",
            max_length=120,
            pattern=PLAIN_TEXT,
        ),
    ] = ""
    dpi: Annotated[
        float | None,
        said(
            "Resolution of a raster file; stands above the file's own. Not for PDF and SVG.",
            "dpi", 600.0, ge=limits.MIN_DPI, le=limits.MAX_DPI, **_FINITE,
        ),
    ] = None  # fmt: skip
    width_mm: Annotated[
        float | None,
        said("Width of the whole page or image, instead of dpi.", "mm", 210.0, **_SIDE, **_FINITE),
    ] = None
    page: Annotated[
        int, said("Page of a PDF or frame of a TIFF, from 1.", NO_UNIT, 1, ge=1, le=100_000)
    ] = 1
    invert: Annotated[bool, said("Light is etched instead of dark.", NO_UNIT, False)] = False
    plate_width_mm: Annotated[
        float | None,
        said(
            "Plate outline, centred on the artwork; what lies outside is not etched.",
            "mm",
            60.0,
            **_SIDE,
            **_FINITE,
        ),
    ] = None
    plate_height_mm: Annotated[
        float | None, said("The same, its height.", "mm", 40.0, **_SIDE, **_FINITE)
    ] = None
    margin_mm: Annotated[
        float | None,
        said("Instead of an outline: so much along each side lies outside the plate.", "mm", 5.0, ge=0.0,
             le=limits.MAX_SIDE_MM / 2, **_FINITE),
    ] = None  # fmt: skip
    depth_mm: Annotated[
        float | None,
        said("Target depth, where it is known: above 0.5 mm more is measured around the edges.", "mm", 0.25, ge=1e-4, le=10.0,
             **_FINITE),
    ] = None  # fmt: skip

    def options(self) -> MeasureOptions:
        """Return how to measure for plans. Raises: RefusedError for what does not go together."""
        own = self.model_dump(exclude={"name", "depth_mm"})
        return planning_options(MeasureOptions(**own), self.depth_mm)


class PreviewQuery(RequestModel):
    """What the picture shows beside the openings."""

    depth_mm: Annotated[
        float | None,
        said(
            "Depth whose undercut is drawn; with etch_factor.",
            "mm",
            0.25,
            ge=1e-4,
            le=10.0,
            **_FINITE,
        ),
    ] = None
    etch_factor: Annotated[
        float | None,
        said(
            "Depth over undercut per side; with depth_mm.", NO_UNIT, 1.2, ge=0.1, le=20.0, **_FINITE
        ),
    ] = None


class LinePlaceTold(Answer):
    """A narrow line where it is narrowest."""

    x_mm: Annotated[float, said("Middle of the line, from the artwork's left edge.", "mm", 12.4)]
    y_mm: Annotated[float, said("The same from its top edge.", "mm", 7.1)]
    width_mm: Annotated[float, said("Width across the line.", "mm", 0.31)]
    length_mm: Annotated[
        float | None, said("How long the line is that narrow; null when not asked.", "mm", 4.2)
    ]


_LINE = {"x_mm": 12.4, "y_mm": 7.1, "width_mm": 0.31, "length_mm": 4.2}
_CURVE = [[0.0, 712.4], [0.005, 715.6], [1.0, 1224.9]]


class MeasureTold(Answer):
    """What was measured of one copy. Uncertainties are one standard deviation."""

    area_mm2: Annotated[float, said("Open area.", "mm2", 712.4)]
    area_uncertainty_mm2: Annotated[float, said("Of the open area.", "mm2", 0.5)]
    edge_mm: Annotated[float, said("Length of the edges between metal and resist.", "mm", 640.2)]
    edge_uncertainty_mm: Annotated[float, said("Of the edge length.", "mm", 2.1)]
    growth_mm2: Annotated[
        tuple[tuple[float, float], ...],
        said(
            "Pairs: growth into the resist in mm, rising from 0, and the open area after it in mm2.",
            "mm2",
            _CURVE,
        ),
    ]
    growth_uncertainty_mm2: Annotated[
        tuple[tuple[float, float], ...],
        said("Pairs: growth in mm, and the uncertainty in mm2.", "mm2", [[0.0, 0.5], [1.0, 2.4]]),
    ]
    width_mm: Annotated[
        float, said("Width of the plate, or of the sheet without an outline.", "mm", 60.0)
    ]
    height_mm: Annotated[float, said("Height of it.", "mm", 40.0)]
    open_fraction: Annotated[float, said("Share of it that is open.", NO_UNIT, 0.297)]
    open_fields: Annotated[int, said("Separate open fields.", NO_UNIT, 14)]
    narrowest_resist: Annotated[
        LinePlaceTold | None,
        said("Narrowest resist line, null when there is none.", NO_UNIT, _LINE),
    ]
    narrowest_resist_mm: Annotated[float | None, said("Its width.", "mm", 0.31)]
    narrowest_open: Annotated[
        LinePlaceTold | None, said("Narrowest open line, null when there is none.", NO_UNIT, _LINE)
    ]
    narrowest_open_mm: Annotated[float | None, said("Its width.", "mm", 0.22)]
    undercut_mm: Annotated[
        float | None,
        said("Undercut that lost_lines were looked up for: more than any plan's.", "mm", 1.0),
    ]
    lost_lines: Annotated[
        tuple[LinePlaceTold, ...],
        said(
            "Resist lines narrower than twice that, narrowest first; the plan tells which of them it loses.",
            NO_UNIT,
            [_LINE],
        ),
    ]
    lost_line_count: Annotated[
        int, said("All of them, those that are not listed, too.", NO_UNIT, 1)
    ]
    copies: Annotated[int, said("Copies measured.", NO_UNIT, 1)]
    inverted: Annotated[bool, said("Light counts as open.", NO_UNIT, False)]
    threshold_level: Annotated[
        float, said("Grey level, 0 to 255, that counts as half open.", NO_UNIT, 127.5)
    ]
    quality: Annotated[
        str,
        said("grey (shaded edges), one_bit, noisy, or drawing (vector file).", NO_UNIT, "drawing"),
    ]
    file_format: Annotated[str, said("What the file is.", NO_UNIT, "PDF")]
    page: Annotated[int, said("Page or frame.", NO_UNIT, 1)]
    width_px: Annotated[int, said("Width of the picture.", "px", 1417)]
    height_px: Annotated[int, said("Height of the picture.", "px", 945)]
    dpi: Annotated[float, said("Resolution of the picture.", "dpi", 600.0)]
    grid_dpi: Annotated[float, said("Resolution of the measuring grid.", "dpi", 600.0)]
    scale_source: Annotated[str, said("Where the physical size comes from.", NO_UNIT, "page size")]
    sha256: Annotated[str, said("Hash of the file's bytes.", NO_UNIT, "9a" * 32)]
    version: Annotated[str, said("Version of the measuring.", NO_UNIT, "1")]
    warnings: Annotated[
        tuple[str, ...], said("What may be wrong with the file.", NO_UNIT, ["2 mm2 are grey"])
    ]


class ReadAs(Answer):
    """How the file was read."""

    dpi: Annotated[float | None, said("Resolution given.", "dpi", 600.0)]
    width_mm: Annotated[float | None, said("Width given.", "mm", 210.0)]
    page: Annotated[int, said("Page or frame.", NO_UNIT, 1)]
    invert: Annotated[bool, said("Light is etched instead of dark.", NO_UNIT, False)]
    plate_width_mm: Annotated[float | None, said("Width of the plate outline.", "mm", 60.0)]
    plate_height_mm: Annotated[float | None, said("Height of the plate outline.", "mm", 40.0)]
    margin_mm: Annotated[float | None, said("Margin outside the plate.", "mm", 5.0)]


class ArtworkListed(Answer):
    """An artwork as the list shows it."""

    artwork: ArtworkName
    name: Annotated[str, said("Name of the file.", NO_UNIT, "fern brooch.pdf")]
    uploaded_at_utc: Annotated[
        datetime, said("Wall time of the upload, a label.", NO_UNIT, "2026-03-14T08:50:12Z")
    ]
    file_bytes: Annotated[int, said("Size of the file in bytes.", NO_UNIT, 48_213)]
    file_format: Annotated[str, said("What the file is.", NO_UNIT, "PDF")]
    area_mm2: Annotated[float, said("Open area.", "mm2", 712.4)]
    edge_mm: Annotated[float, said("Length of the edges.", "mm", 640.2)]
    width_mm: Annotated[float, said("Width of the plate, or of the sheet.", "mm", 60.0)]
    height_mm: Annotated[float, said("Height of it.", "mm", 40.0)]

    @classmethod
    def of(cls, found: Artwork) -> ArtworkListed:
        """Return an artwork."""
        return cls.model_validate(_listed(found))


class ArtworkTold(ArtworkListed):
    """An artwork with all that was measured of it."""

    read_as: Annotated[
        ReadAs,
        said(
            "How the file was read.",
            NO_UNIT,
            {"dpi": None, "width_mm": None, "page": 1, "invert": False, "plate_width_mm": None, "plate_height_mm": None,
             "margin_mm": None},
        ),
    ]  # fmt: skip
    measure: Annotated[MeasureTold, said("What was measured.", NO_UNIT, example_of(MeasureTold))]

    @classmethod
    def of(cls, found: Artwork) -> ArtworkTold:
        """Return an artwork."""
        measure = MeasureTold.model_validate(found.measure.to_shown_dict())
        return cls.model_validate(
            {**_listed(found), "read_as": ReadAs.model_validate(found.options), "measure": measure}
        )


class ArtworkList(Answer):
    """Artworks, those used last first."""

    artworks: Annotated[
        tuple[ArtworkListed, ...], said("The artworks.", NO_UNIT, [example_of(ArtworkListed)])
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
