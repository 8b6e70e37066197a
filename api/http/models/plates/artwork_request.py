"""How to read an uploaded artwork, and what its picture shows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator

from api.http.models.base import (
    HASH,
    NO_UNIT,
    PLAIN_TEXT,
    RequestModel,
    described,
    number,
    without_unseen,
)
from controller.artwork import limits
from controller.artwork.assembly.arranging import BORDER_MM, SPACING_MM
from controller.artwork.assembly.layout import MOST_PIECES
from controller.artwork.film.options import (
    ALONG_BAR_MM,
    LEAST_DPI,
    MOST_BORDER_MM,
    MOST_DEPTH_MM,
    MOST_DPI,
    MOST_TAB_MM,
    FilmOptions,
)
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import planning_options
from controller.physics.bath_field import BathField

_SIDE: Mapping[str, float] = {"ge": limits.MIN_SIDE_MM, "le": limits.MAX_SIDE_MM}
_FINITE: Mapping[str, Any] = {"allow_inf_nan": False}


class UploadQuery(RequestModel):
    """How to read the artwork file in the body."""

    name: Annotated[
        str,
        BeforeValidator(without_unseen),
        described(
            "Name of the file, for people. Invisible characters are removed.",
            NO_UNIT,
            "fern brooch.pdf",
            max_length=120,
            pattern=PLAIN_TEXT,
        ),
    ] = ""
    dpi: Annotated[
        float | None,
        described(
            "Resolution of a raster file. It overrides the value in the file. Not for PDF and SVG.",
            "dpi",
            600.0,
            ge=limits.MIN_DPI,
            le=limits.MAX_DPI,
            **_FINITE,
        ),
    ] = None
    width_mm: Annotated[
        float | None,
        described(
            "Width of the whole page or image, instead of dpi.", "mm", 210.0, **_SIDE, **_FINITE
        ),
    ] = None
    page: Annotated[
        int, described("Page of a PDF or frame of a TIFF, from 1.", NO_UNIT, 1, ge=1, le=100_000)
    ] = 1
    invert: Annotated[bool, described("Light is etched instead of dark.", NO_UNIT, False)] = False
    plate_width_mm: Annotated[
        float | None,
        described(
            "Width of the plate, centred on the artwork. Everything outside is not etched.",
            "mm",
            60.0,
            **_SIDE,
            **_FINITE,
        ),
    ] = None
    plate_height_mm: Annotated[
        float | None, described("Height of the plate.", "mm", 40.0, **_SIDE, **_FINITE)
    ] = None
    margin_mm: Annotated[
        float | None,
        described(
            "Instead of the plate's size: width of the strip along each side outside the plate.",
            "mm",
            5.0,
            ge=0.0,
            le=limits.MAX_SIDE_MM / 2,
            **_FINITE,
        ),
    ] = None
    depth_mm: Annotated[
        float | None,
        described(
            "Target depth, if known. Above 0.5 mm the measurement reaches further into the resist.",
            "mm",
            0.25,
            ge=1e-4,
            le=10.0,
            **_FINITE,
        ),
    ] = None

    def options(self, bath: BathField) -> MeasureOptions:
        """Return how to measure. Raises: RefusedError for options that contradict each other.

        :param bath: of the rig.
        """
        own = self.model_dump(exclude={"name", "depth_mm"})
        return planning_options(MeasureOptions(**own), self.depth_mm, bath)


class PreviewQuery(RequestModel):
    """What the picture shows beside the openings."""

    depth_mm: Annotated[
        float | None,
        described(
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
        described(
            "Depth over undercut per side; with depth_mm.", NO_UNIT, 1.2, ge=0.1, le=20.0, **_FINITE
        ),
    ] = None


class FilmRequest(RequestModel):
    """What the film is made for, and how it is printed."""

    depth_mm: Annotated[
        float,
        number("Target depth. 0: the artwork as drawn.", "mm", 0.25, ge=0.0, le=MOST_DEPTH_MM),
    ]
    etch_factor: Annotated[
        float,
        number("Depth over undercut per side: the plan's.", NO_UNIT, 1.2, ge=0.1, le=20.0),
    ]
    file_format: Annotated[
        Literal["pdf", "png", "svg"], described("Kind of file.", NO_UNIT, "pdf")
    ] = "pdf"
    least_open_mm: Annotated[
        float, number("Width that every opening keeps.", "mm", 0.1, ge=0.0, le=1.0)
    ] = 0.1
    mirrored: Annotated[
        bool, described("The printed side lies on the resist.", NO_UNIT, True, strict=True)
    ] = True
    negative: Annotated[
        bool,
        described("Black is resist. Otherwise black is etched.", NO_UNIT, False, strict=True),
    ] = False
    border_mm: Annotated[
        float, number("Covered metal around the artwork.", "mm", 5.0, ge=0.0, le=MOST_BORDER_MM)
    ] = 5.0
    tab_edge: Annotated[
        Literal["top", "right", "bottom", "left"] | None,
        described("Edge with a covered tab for the contact; null for none.", NO_UNIT, "top"),
    ] = None
    tab_width_mm: Annotated[
        float, number("Width of the tab.", "mm", 10.0, ge=1.0, le=MOST_TAB_MM)
    ] = 10.0
    tab_length_mm: Annotated[
        float, number("Length of the tab.", "mm", 15.0, ge=1.0, le=MOST_TAB_MM)
    ] = 15.0
    with_marks: Annotated[
        bool,
        described("Crosses, ticks and a scale bar beside the plate.", NO_UNIT, True, strict=True),
    ] = True
    scale_bar_mm: Annotated[
        float,
        number("Length of the scale bar.", "mm", 100.0, ge=ALONG_BAR_MM[0], le=ALONG_BAR_MM[1]),
    ] = 100.0
    dpi: Annotated[
        int,
        described("Resolution of a PNG.", "dpi", LEAST_DPI, ge=LEAST_DPI, le=MOST_DPI, strict=True),
    ] = LEAST_DPI

    def options(self) -> FilmOptions:
        """Return what the film is made for. Raises: RefusedError."""
        return FilmOptions(**self.model_dump())


class PlatePieceBody(RequestModel):
    """A piece of a plate: an artwork, and where it lies."""

    artwork: Annotated[
        str, described("Name of a measured artwork.", NO_UNIT, "3f" * 32, pattern=HASH)
    ]
    x_mm: Annotated[
        float | None,
        number(
            "Left edge of the turned piece, from the left edge of the sheet; with y_mm. "
            "Without places, the pieces are arranged.",
            "mm",
            5.0,
            ge=-1e3,
            le=1e3,
        ),
    ] = None
    y_mm: Annotated[
        float | None,
        number("Its top edge, from the top of the sheet; with x_mm.", "mm", 5.0, ge=-1e3, le=1e3),
    ] = None
    degrees: Annotated[
        float | None,
        number(
            "Turned clockwise by this much; 0 when it is left out.",
            "degrees",
            90.0,
            ge=-360.0,
            le=360.0,
        ),
    ] = None


class PlateBody(RequestModel):
    """A plate to put together from measured artworks. Repeat a piece for each copy."""

    pieces: Annotated[
        tuple[PlatePieceBody, ...],
        described(
            "The pieces.",
            NO_UNIT,
            [{"artwork": "3f" * 32, "x_mm": 5.0, "y_mm": 5.0, "degrees": 90.0}],
            min_length=1,
            max_length=MOST_PIECES,
        ),
    ]
    sheet_width_mm: Annotated[
        float | None,
        number(
            "Width of the sheet; with sheet_height_mm. Without both, as small as fits.",
            "mm",
            120.0,
            **_SIDE,
        ),
    ] = None
    sheet_height_mm: Annotated[
        float | None, number("Height of the sheet; with sheet_width_mm.", "mm", 80.0, **_SIDE)
    ] = None
    spacing_mm: Annotated[
        float, number("Least distance of arranged pieces.", "mm", SPACING_MM, ge=0.0, le=100.0)
    ] = SPACING_MM
    border_mm: Annotated[
        float,
        number(
            "Distance of arranged pieces from the edge of the sheet.",
            "mm",
            BORDER_MM,
            ge=0.0,
            le=100.0,
        ),
    ] = BORDER_MM
    name: Annotated[
        str,
        BeforeValidator(without_unseen),
        described(
            "Name of the plate, for people.",
            NO_UNIT,
            "brooches of March",
            max_length=120,
            pattern=PLAIN_TEXT,
        ),
    ] = ""
    depth_mm: Annotated[
        float | None,
        number(
            "Target depth, if known. Above 0.5 mm the measurement reaches further into the resist.",
            "mm",
            0.25,
            ge=1e-4,
            le=10.0,
        ),
    ] = None
