"""Writes a film as a PNG of one bit per pixel."""

from __future__ import annotations

import struct
import zlib
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from controller.artwork.film.layout import Box
from controller.artwork.film.lettering import LETTER_PIXEL_MM, lettered
from controller.artwork.film.page import Page
from controller.artwork.film.sheet_walk import EDGE_LEVEL, FilmPicture
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

MOST_PIXELS = 250_000_000
"""Most pixels of a film. Source: A4 with border and marks at 1200 dpi has 184 million; they are
written in bands."""

_BAND_ROWS = 256
_SIGNATURE = b"\x89PNG\r\n\x1a\n"

Bits = npt.NDArray[np.bool_]


def png(page: Page, dpi: int, out: BinaryIO) -> None:
    """Write the film as a PNG with its resolution, black where the film is black.

    Written here because the imaging library would hold a byte for each of up to 250 million pixels.
    Source: "Portable Network Graphics (PNG) Specification", W3C 2003, 11.2 and 11.3.5.3.
    Raises: RefusedError when it has too many pixels.
    """
    px_mm = MM_PER_INCH / dpi
    plan = page.layout
    width, height = (round(side / px_mm) for side in (plan.width_mm, plan.height_mm))
    if width * height > MOST_PIXELS:
        raise RefusedError(
            "artwork.film.too_many_pixels",
            field="dpi",
            dpi=dpi,
            width_mm=plan.width_mm,
            height_mm=plan.height_mm,
            megapixels=width * height / 1e6,
            limit_megapixels=MOST_PIXELS / 1e6,
        )
    per_m = round(dpi * 1000.0 / MM_PER_INCH)
    out.write(_SIGNATURE)
    _chunk(out, b"IHDR", struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0))
    _chunk(out, b"pHYs", struct.pack(">IIB", per_m, per_m, 1))
    squeeze = zlib.compressobj(6)
    words = [(line, lettered(line.words)) for line in plan.words]
    x_mm = (np.arange(width, dtype=np.float64) + 0.5) * px_mm
    if page.mirrored:
        x_mm = plan.width_mm - x_mm
    for top in range(0, height, _BAND_ROWS):
        y_mm = (np.arange(top, min(top + _BAND_ROWS, height), dtype=np.float64) + 0.5) * px_mm
        black: Bits = np.zeros((len(y_mm), width), np.bool_)
        art = page.layout.artwork
        _print(black, page.picture, _places(page, x_mm, y_mm), _part(art, x_mm, y_mm))
        for box in (*plan.black, *(page.ground if page.negative else ())):
            black[_part(box, x_mm, y_mm)] ^= True
        for line, letters in words:
            places = (
                (x_mm - line.left_mm) / LETTER_PIXEL_MM,
                (y_mm - line.top_mm) / LETTER_PIXEL_MM,
            )
            _print(black, letters, places, (slice(None), slice(None)))
        rows = np.packbits(~black, axis=1)
        plain = np.zeros((len(rows), 1), np.uint8)  # each row begins with its filter: none
        _data(out, squeeze.compress(np.hstack([plain, rows]).tobytes()))
    _data(out, squeeze.flush())
    _chunk(out, b"IEND", b"")


def _places(page: Page, x_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats]:
    """Return columns and rows of the page's picture."""
    return (x_mm - page.x0_mm) / page.px_mm, (y_mm - page.y0_mm) / page.px_mm


def _part(box: Box, x_mm: Floats, y_mm: Floats) -> tuple[slice, slice]:
    """Return the rows and columns of a band that a box covers."""
    across = (x_mm >= box.left_mm) & (x_mm < box.left_mm + box.width_mm)
    down = (y_mm >= box.top_mm) & (y_mm < box.top_mm + box.height_mm)
    return _run(down), _run(across)


def _run(flags: Bits) -> slice:
    """Return the one run of flags that are set."""
    places = np.flatnonzero(flags)
    return slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0, 0)


def _print(
    black: Bits, picture: FilmPicture, places: tuple[Floats, Floats], part: tuple[slice, slice]
) -> None:
    """Print a picture on a part of a band, linear between the centres of its pixels.

    :param places: column and row of the picture for each column and row of the band.
    """
    x_px, y_px = places
    rows = _run((y_px > -1.0) & (y_px < picture.shape[0]))
    columns = _run((x_px > -1.0) & (x_px < picture.shape[1]))
    rows, columns = _both(rows, part[0]), _both(columns, part[1])
    if rows.start >= rows.stop or columns.start >= columns.stop:
        return
    row, next_row, down = _between(y_px[rows], picture.shape[0])
    column, next_column, right = _between(x_px[columns], picture.shape[1])
    low, high = int(row.min()), int(next_row.max()) + 1
    some = picture[low:high].astype(np.float32)
    wide = some[:, column] * (1.0 - right) + some[:, next_column] * right
    mixed = wide[row - low] * (1.0 - down)[:, None] + wide[next_row - low] * down[:, None]
    black[rows, columns] ^= mixed > EDGE_LEVEL


def _both(one: slice, other: slice) -> slice:
    """Return what lies in two slices; the second may be of everything."""
    start = one.start if other.start is None else max(one.start, other.start)
    stop = one.stop if other.stop is None else min(one.stop, other.stop)
    return slice(start, stop)


def _between(
    at_px: Floats, count: int
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.float32]]:
    """Return the pixels before and after each place, and how far it is on to the next."""
    first = np.floor(at_px).astype(np.intp)
    share = (at_px - first).astype(np.float32)
    return np.clip(first, 0, count - 1), np.clip(first + 1, 0, count - 1), share


def _data(out: BinaryIO, squeezed: bytes) -> None:
    if squeezed:
        _chunk(out, b"IDAT", squeezed)


def _chunk(out: BinaryIO, kind: bytes, content: bytes) -> None:
    out.write(struct.pack(">I", len(content)) + kind + content)
    out.write(struct.pack(">I", zlib.crc32(kind + content)))
