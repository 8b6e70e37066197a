"""A page of a PDF file as a picture, drawn band by band."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import pypdfium2 as pdfium  # type: ignore[import-untyped]
import pypdfium2.raw as raw  # type: ignore[import-untyped]

from controller.artwork.loading.drawing import drawing_px
from controller.artwork.loading.picture import Grey, Picture, looked_up
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

_POINTS_PER_INCH = 72.0
"""Source: ISO 32000-1, 8.3.2.3: default user space has 1/72 inch units."""

_MOST_OBJECTS = 200_000
"""Objects of a page that are looked at: 5 s of work at most."""

_DEEPEST_FORM = 10

_UNPACKED_BYTES = 50_000_000
"""Most that is unpacked of compressed object streams while looking for UserUnit."""


def load_pdf(path: Path, options: MeasureOptions) -> Picture:
    """Return the chosen page, CropBox and Rotate honoured. Raises: RefusedError when it cannot be drawn to scale."""
    if options.dpi is not None:
        raise RefusedError(
            "a PDF page has a size of its own: leave dpi out, or give width_mm", field="dpi"
        )
    _refuse_user_unit(path)
    try:
        document = pdfium.PdfDocument(path)
        pages = len(document)
    except pdfium.PdfiumError as error:
        raise RefusedError(
            f"{path.name} cannot be read as PDF ({error}): it is damaged or needs a password, save it again",
            field="file",
        ) from error
    if options.page > pages:
        raise RefusedError(
            f"page {options.page} is asked for, the file has {pages}",
            field="page",
            limit=f"1-{pages}",
        )
    try:
        page = document[options.page - 1]
        size_points = page.get_size()
        size_mm = [points / _POINTS_PER_INCH * MM_PER_INCH for points in size_points]
    except pdfium.PdfiumError as error:
        raise RefusedError(
            f"page {options.page} of {path.name} cannot be read: {error}", field="page"
        ) from error
    scale_source = "page size"
    if options.width_mm is not None:
        size_mm = (
            [options.width_mm, size_mm[1] * options.width_mm / size_mm[0]]
            if size_mm[0] > 0
            else [0.0, 0.0]
        )
        scale_source = "width given"
    width_px, height_px = drawing_px(size_mm[0], size_mm[1], finer=1)
    dpi = width_px / size_mm[0] * MM_PER_INCH

    warnings = _prepared(page, width_px / size_points[0])

    def read(first: int, last: int, _step: int, table: Grey) -> Grey:
        bitmap = pdfium.PdfBitmap.new_native(width_px, last - first, raw.FPDFBitmap_Gray)
        bitmap.fill_rect((255, 255, 255, 255), 0, 0, width_px, last - first)
        raw.FPDF_RenderPageBitmap(
            bitmap, page, 0, -first, width_px, height_px, 0, raw.FPDF_GRAYSCALE
        )
        grey: Grey = bitmap.to_numpy().reshape(last - first, width_px).copy()
        bitmap.close()
        return looked_up(grey, table)

    if pages > 1:
        warnings.append(f"the file has {pages} pages, page {options.page} was measured")
    return Picture(
        width_px, height_px, read, None, dpi, scale_source, "PDF", options.page, tuple(warnings)
    )


def _prepared(page: pdfium.PdfPage, px_per_point: float) -> list[str]:
    """Make filled rectangles keep their size, and return what would be drawn otherwise elsewhere.

    The renderer rounds a filled upright rectangle outwards to whole pixels. A further point on its own corner makes it a path
    like any other, shaded by coverage.
    """
    hairlines = foreign = 0
    warnings = []
    try:
        for count, item in enumerate(page.get_objects(max_depth=_DEEPEST_FORM)):
            if count >= _MOST_OBJECTS:
                warnings.append(
                    f"the page has more than {_MOST_OBJECTS} objects: upright rectangles beyond may be a pixel too large"
                )
                break
            if item.type == raw.FPDF_PAGEOBJ_PATH:
                _loosen_rectangle(item)
                hairlines += _is_hairline(item, px_per_point)
            elif item.type == raw.FPDF_PAGEOBJ_TEXT:
                font = raw.FPDFTextObj_GetFont(item)
                foreign += bool(font) and raw.FPDFFont_GetIsEmbedded(font) == 0
    except pdfium.PdfiumError:
        warnings.append(
            "the page's objects could not be looked through for hairlines and missing fonts"
        )
    if hairlines:
        width_mm = MM_PER_INCH / _POINTS_PER_INCH / px_per_point
        warnings.append(
            f"{hairlines} lines are thinner than a pixel and drawn {width_mm:.3f} mm wide: give them a width"
        )
    if foreign:
        warnings.append(
            f"{foreign} pieces of text use a font that is not in the file: turn text into outlines"
        )
    return warnings


def _loosen_rectangle(item: pdfium.PdfObject) -> None:
    fill, stroke, x, y = raw.c_int(), raw.c_int(), raw.c_float(), raw.c_float()
    if (
        raw.FPDFPath_CountSegments(item) not in (4, 5)
        or not raw.FPDFPath_GetDrawMode(item, fill, stroke)
        or not fill.value
    ):
        return
    if raw.FPDFPathSegment_GetPoint(raw.FPDFPath_GetPathSegment(item, 0), x, y):
        raw.FPDFPath_MoveTo(item, x.value, y.value)


def _is_hairline(item: pdfium.PdfObject, px_per_point: float) -> bool:
    fill, stroke, width = raw.c_int(), raw.c_int(), raw.c_float()
    matrix = raw.FS_MATRIX()
    if not (
        raw.FPDFPath_GetDrawMode(item, fill, stroke)
        and stroke.value
        and raw.FPDFPageObj_GetStrokeWidth(item, width)
        and raw.FPDFPageObj_GetMatrix(item, matrix)
    ):
        return False
    scale = abs(matrix.a * matrix.d - matrix.b * matrix.c) ** 0.5
    return bool(width.value * scale * px_per_point < 0.999)


def _refuse_user_unit(path: Path) -> None:
    """Refuse a file with a UserUnit other than 1, which scales a page and which the renderer ignores.

    Source: ISO 32000-1, table 30. Compressed object streams are unpacked to look; names may be written with #xx.
    """
    data = path.read_bytes()
    texts = [data]
    room = _UNPACKED_BYTES
    for match in re.finditer(rb"/ObjStm\b", data):
        start = data.find(b"stream", match.end(), match.end() + 2000)
        if start < 0:
            continue
        if room <= 0:
            raise RefusedError(
                f"the PDF's object streams unpack to more than {_UNPACKED_BYTES // 10**6} MB, so that its UserUnit cannot be "
                "looked for: save it anew",
                field="file",
                limit=f"{_UNPACKED_BYTES // 10**6} MB",
            )
        body = start + 6 + (2 if data[start + 6 : start + 8] == b"\r\n" else 1)
        try:
            unpacked = zlib.decompressobj().decompress(data[body:], room)
        except zlib.error:
            continue
        room -= len(unpacked)
        texts.append(unpacked)
    for text in texts:
        plain = re.sub(rb"/[A-Za-z#0-9]*#[A-Za-z#0-9]*", _unescaped, text)
        for value in re.findall(rb"/UserUnit\s*([-+.0-9]+|\d+ \d+ R)", plain):
            if _number(value) != 1.0:
                raise RefusedError(
                    f"the PDF scales its pages by a UserUnit of {value.decode('ascii')}, which is not drawn reliably: "
                    "save it without, or at most 5 m wide",
                    field="file",
                    limit="UserUnit 1",
                )


def _unescaped(match: re.Match[bytes]) -> bytes:
    return re.sub(
        rb"#([0-9A-Fa-f]{2})", lambda code: bytes([int(code.group(1), 16)]), match.group(0)
    )


def _number(text: bytes) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
