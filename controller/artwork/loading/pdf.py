"""Loads a page of a PDF file as a picture that is drawn band by band."""

from __future__ import annotations

import re
import zlib

import pypdfium2 as pdfium  # type: ignore[import-untyped]
import pypdfium2.raw as raw  # type: ignore[import-untyped]

from controller.artwork.loading.drawing import drawing_px
from controller.artwork.loading.picture import Grey, Picture, looked_up, page_warning
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.scale_source import PAGE_SIZE, WIDTH_GIVEN
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import Message
from controller.units import MM_PER_INCH

_POINTS_PER_INCH = 72.0
"""Source: ISO 32000-1, 8.3.2.3: default user space has 1/72 inch units."""

_MOST_OBJECTS = 200_000
"""Most objects of a page that are examined: 5 s of work."""

_DEEPEST_FORM = 10

_SHOWN_BYTES = 20
"""Most of a damaged number that a message shows."""

_UNPACKED_BYTES = 50_000_000
"""Most that is unpacked of compressed object streams in the search for UserUnit."""


def load_pdf(path: ReadableFile, options: MeasureOptions) -> Picture:
    """Return the chosen page, CropBox and Rotate honoured.

    Raises: RefusedError when it cannot be drawn to scale.
    """
    if options.dpi is not None:
        raise RefusedError("artwork.pdf.dpi", field="dpi")
    data = path.read_bytes()
    _refuse_user_unit(data)
    page, pages = _page(data, path.name, options.page)
    width_points, height_points = _size_points(page, path.name, options.page)
    width_mm, height_mm = (
        points / _POINTS_PER_INCH * MM_PER_INCH for points in (width_points, height_points)
    )
    scale_source = PAGE_SIZE
    if options.width_mm is not None:
        height_mm = height_mm * options.width_mm / width_mm if width_mm > 0 else 0.0
        width_mm = options.width_mm if width_mm > 0 else 0.0
        scale_source = WIDTH_GIVEN
    width_px, height_px = drawing_px(width_mm, height_mm, finer=1)
    warnings, has_colour = _prepared(page, width_px / width_points)
    kind, flags = (
        (raw.FPDFBitmap_BGR, 0) if has_colour else (raw.FPDFBitmap_Gray, raw.FPDF_GRAYSCALE)
    )

    def read(first: int, last: int, _step: int, table: Grey) -> Grey:
        bitmap = pdfium.PdfBitmap.new_native(width_px, last - first, kind)
        bitmap.fill_rect((255, 255, 255, 255), 0, 0, width_px, last - first)
        raw.FPDF_RenderPageBitmap(bitmap, page, 0, -first, width_px, height_px, 0, flags)
        drawn = bitmap.to_numpy().reshape(last - first, width_px, -1)
        # Plain colours count as ink: the darkest channel, as in colour.darkest.
        grey: Grey = drawn.min(axis=2) if has_colour else drawn[:, :, 0].copy()
        bitmap.close()
        return looked_up(grey, table)

    return Picture(
        width_px,
        height_px,
        read,
        None,
        width_px / width_mm * MM_PER_INCH,
        scale_source,
        "PDF",
        options.page,
        (*warnings, *page_warning(options.page, pages)),
    )


def _page(data: bytes, name: str, number: int) -> tuple[pdfium.PdfPage, int]:
    """Return a page of the file, and how many it has. Raises: RefusedError."""
    try:
        document = pdfium.PdfDocument(data)
        pages = len(document)
    except pdfium.PdfiumError as error:
        raise RefusedError(
            "artwork.pdf.damaged", field="file", name=name, error=str(error)
        ) from error
    if number > pages:
        raise RefusedError("artwork.file.no_page", field="page", page=number, count=pages)
    try:
        return document[number - 1], pages
    except pdfium.PdfiumError as error:
        raise _unreadable_page(name, number, error) from error


def _size_points(page: pdfium.PdfPage, name: str, number: int) -> tuple[float, float]:
    """Return width and height of a page in points. Raises: RefusedError."""
    try:
        width, height = page.get_size()
    except pdfium.PdfiumError as error:
        raise _unreadable_page(name, number, error) from error
    return width, height


def _unreadable_page(name: str, number: int, error: Exception) -> RefusedError:
    return RefusedError(
        "artwork.pdf.page_damaged", field="page", name=name, page=number, error=str(error)
    )


def _prepared(page: pdfium.PdfPage, px_per_point: float) -> tuple[list[Message], bool]:
    """Make filled rectangles keep their size; return warnings and whether the page has colours.

    The renderer rounds a filled upright rectangle outwards to whole pixels. With one more point on
    its corner it is a path like any other, shaded by coverage. The warnings name what other
    programs may draw differently.
    """
    hairlines = foreign = 0
    warnings = []
    has_colour = False
    try:
        for count, item in enumerate(page.get_objects(max_depth=_DEEPEST_FORM)):
            if count >= _MOST_OBJECTS:
                warnings.append(Message("artwork.pdf.many_objects", {"limit": _MOST_OBJECTS}))
                break
            has_colour = has_colour or _has_colour(item)
            if item.type == raw.FPDF_PAGEOBJ_PATH:
                _loosen_rectangle(item)
                hairlines += _is_hairline(item, px_per_point)
            elif item.type == raw.FPDF_PAGEOBJ_TEXT:
                font = raw.FPDFTextObj_GetFont(item)
                foreign += bool(font) and raw.FPDFFont_GetIsEmbedded(font) == 0
    except pdfium.PdfiumError:
        warnings.append(Message("artwork.pdf.unknown_objects"))
    if hairlines:
        width_mm = MM_PER_INCH / _POINTS_PER_INCH / px_per_point
        warnings.append(
            Message("artwork.pdf.hairlines", {"count": hairlines, "width_mm": width_mm})
        )
    if foreign:
        warnings.append(Message("artwork.pdf.fonts", {"count": foreign}))
    return warnings, has_colour


def _has_colour(item: pdfium.PdfObject) -> bool:
    """Return whether an object is painted in a colour. An image is read by its luminance."""
    for paint in (raw.FPDFPageObj_GetFillColor, raw.FPDFPageObj_GetStrokeColor):
        red, green, blue, clear = (raw.c_uint() for _ in range(4))
        if paint(item, red, green, blue, clear) and not red.value == green.value == blue.value:
            return True
    return False


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


def _refuse_user_unit(data: bytes) -> None:
    """Refuse a file with a UserUnit other than 1: it scales a page, and the renderer ignores it.

    Names may be written with #xx. Source: ISO 32000-1, table 30.
    """
    for text in _object_texts(data):
        plain = re.sub(rb"/[A-Za-z#0-9]*#[A-Za-z#0-9]*", _unescaped, text)
        for value in re.findall(rb"/UserUnit\s*([-+.0-9]+|\d+ \d+ R)", plain):
            if _number(value) != 1.0:
                raise RefusedError(
                    "artwork.pdf.user_unit",
                    field="file",
                    unit=value[:_SHOWN_BYTES].decode("ascii"),
                )


def _object_texts(data: bytes) -> list[bytes]:
    """Return the file and its compressed object streams, unpacked.

    Raises: RefusedError when the streams are too large.
    """
    texts = [data]
    room = _UNPACKED_BYTES
    for match in re.finditer(rb"/ObjStm\b", data):
        start = data.find(b"stream", match.end(), match.end() + 2000)
        if start < 0:
            continue
        if room <= 0:
            raise RefusedError(
                "artwork.pdf.streams", field="file", limit_mb=_UNPACKED_BYTES // 10**6
            )
        body = start + 6 + (2 if data[start + 6 : start + 8] == b"\r\n" else 1)
        try:
            unpacked = zlib.decompressobj().decompress(data[body:], room)
        except zlib.error:
            continue
        room -= len(unpacked)
        texts.append(unpacked)
    return texts


def _unescaped(match: re.Match[bytes]) -> bytes:
    return re.sub(
        rb"#([0-9A-Fa-f]{2})", lambda code: bytes([int(code.group(1), 16)]), match.group(0)
    )


def _number(text: bytes) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
