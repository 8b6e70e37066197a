"""How to read an uploaded artwork, and what its picture shows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator

from api.http.models.base import NO_UNIT, PLAIN_TEXT, RequestModel, described, without_unseen
from controller.artwork import limits
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
