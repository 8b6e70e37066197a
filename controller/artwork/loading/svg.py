"""Loads an SVG file as a picture that is drawn band by band."""

from __future__ import annotations

import io
from xml.sax.saxutils import quoteattr

import numpy as np
import resvg_py
from PIL import Image

from controller.artwork.loading.colour import darkest
from controller.artwork.loading.drawing import drawing_px
from controller.artwork.loading.picture import Grey, Picture, looked_up
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.scale_source import DRAWING_SIZE, WIDTH_GIVEN
from controller.artwork.loading.svg_check import SvgFile, check_svg
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

_BAND_PIXELS = 5_000_000
_LEAST_BAND_ROWS = 512
"""Pixels and rows drawn at a time. The renderer reads the whole file for each band, so a narrow
drawing is drawn in few of them; a band takes 20 MB, as much as 512 rows of A4 at 1200 dpi."""

_SHADES = 17
"""Levels that the renderer shades edges with: it takes 4 x 4 samples of each pixel. Source: counted
on rotated squares."""


def load_svg(path: ReadableFile, options: MeasureOptions) -> Picture:
    """Return the drawing on white.

    Raises: RefusedError when it has no physical size or contains something that is not drawn.
    """
    if options.dpi is not None:
        raise RefusedError("artwork.svg.dpi", field="dpi")
    if options.page != 1:
        raise RefusedError("artwork.file.no_page", field="page", page=options.page, count=1)
    drawing = check_svg(path.read_bytes())
    width_mm, height_mm = drawing.size_mm(options.width_mm)
    width_px, height_px = drawing_px(width_mm, height_mm, finer=2)
    dpi = width_px / width_mm * MM_PER_INCH
    bands = _Bands(drawing, width_px, height_px)
    return Picture(
        width_px,
        height_px,
        bands.read,
        None,
        dpi,
        DRAWING_SIZE if options.width_mm is None else WIDTH_GIVEN,
        "SVG",
        1,
        shades=_SHADES,
    )


class _Bands:
    """Draws bands of the page and keeps the last one."""

    def __init__(self, drawing: SvgFile, width_px: int, height_px: int) -> None:
        self._width_px, self._height_px = width_px, height_px
        self._rows = max(_LEAST_BAND_ROWS, _BAND_PIXELS // width_px)
        attributes = {**drawing.attributes, "width": str(width_px), "height": str(height_px)}
        if "viewBox" not in attributes:
            width, height = _user_size(drawing)
            attributes |= {"viewBox": f"0 0 {width:.9g} {height:.9g}"}
        # The bands end where the page ends. Clipping the page too would take a mask of its size.
        attributes["overflow"] = "visible"
        attributes["preserveAspectRatio"] = attributes.get("preserveAspectRatio", "xMidYMid meet")
        listed = " ".join(f"{name}={quoteattr(value)}" for name, value in attributes.items())
        self._page = f"<svg {listed}>{drawing.inside}</svg>"
        self._held: tuple[int, Grey] | None = None

    def read(self, first: int, last: int, step: int, table: Grey) -> Grey:
        """Return looked-up, averaged rows, as ``Picture.read``."""
        parts = []
        while first < last:
            band = first // self._rows
            if self._held is None or self._held[0] != band:
                self._held = (
                    band,
                    self._draw(band * self._rows, min((band + 1) * self._rows, self._height_px)),
                )
            rows = self._held[1][first - band * self._rows : last - band * self._rows]
            parts.append(rows)
            first += len(rows)
        grey = np.concatenate(parts)
        return np.asarray(Image.fromarray(looked_up(grey, table)).reduce(step))

    def _draw(self, first: int, last: int) -> Grey:
        frame = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self._width_px}" '
            f'height="{last - first}" viewBox="0 {first} {self._width_px} {last - first}">'
            f"{self._page}</svg>"
        )
        try:
            png = resvg_py.svg_to_bytes(
                svg_string=frame, background="#ffffff", dpi=96.0, skip_system_fonts=True
            )
        except ValueError as error:
            raise RefusedError("artwork.svg.undrawable", field="file", error=str(error)) from error
        with Image.open(io.BytesIO(png), formats=("PNG",)) as image:
            grey: Grey = np.asarray(darkest(image))
        if grey.shape != (last - first, self._width_px):
            raise RefusedError("artwork.svg.bands", field="file")
        return grey


def _user_size(drawing: SvgFile) -> tuple[float, float]:
    """Return the size in user units of a drawing without a viewBox, 96 units to the inch.

    Source: SVG 2, section 8.9.
    """
    size = drawing.plain_size()
    if size is not None:
        return size
    width_mm, height_mm = drawing.size_mm(None)
    return width_mm / MM_PER_INCH * 96.0, height_mm / MM_PER_INCH * 96.0
