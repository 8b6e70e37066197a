"""Loads PNG, TIFF and JPEG files as pictures with a scale."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import numpy as np
from PIL import Image

from controller.artwork import limits
from controller.artwork.loading.colour import HALO_PX, aligned, ink
from controller.artwork.loading.library_error import library_error
from controller.artwork.loading.one_bit import PackedPixels, packed_png
from controller.artwork.loading.picture import Grey, Picture, averaged, page_warning
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.scale_source import DPI_GIVEN, FILE_DPI, WIDTH_GIVEN
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import Message
from controller.units import MM_PER_INCH

_ONE_BYTE = ("1", "L", "P")
_FOUR_BYTES = ("LA", "PA", "RGB", "RGBA", "RGBX", "CMYK", "YCbCr")
_BAND_ROWS = 256
_LEAST_SIDE_PX = 8

_FEW_PIXELS = 20_000_000
"""Decoding so many pixels never runs out of memory."""

Reader = Callable[[int, int, int, Grey], Grey]


def load_raster(path: ReadableFile, file_format: str, options: MeasureOptions) -> Picture:
    """Return the picture in a PNG, TIFF or JPEG file.

    Raises: RefusedError when it is damaged, too large, of an unsuitable kind, or has no believable
    scale.
    """
    # No limit by the library: _check_size reads the header before anything is decoded.
    Image.MAX_IMAGE_PIXELS = None
    with path.open("rb") as file:
        with _refusing(path, file_format, pixels=0):
            image: Image.Image = Image.open(file, formats=(file_format,))
        width_px = image.width
        with _refusing(path, file_format, pixels=image.width * image.height):
            pages = _choose_page(image, file_format, options.page)
            _check_size(image)
            dpi, scale_source = _scale(image, options)
            if file_format == "JPEG":
                image.draft("L", image.size)
            _check_memory(image)
            packed = packed_png(path) if _is_packed_png(image) else None
            if packed is not None:
                image = Image.open(packed, formats=(file_format,))
            _decode(image, file_format)
    read: Reader
    if packed is None:
        read = _reader(image)
        histogram = _histogram(image, read)
    else:
        bits = PackedPixels(np.asarray(image), width_px)
        read, histogram = bits.read, bits.histogram()
    return Picture(
        width_px,
        image.height,
        read,
        histogram,
        dpi,
        scale_source,
        file_format,
        options.page,
        page_warning(options.page, pages),
    )


@contextmanager
def _refusing(path: ReadableFile, file_format: str, *, pixels: int) -> Iterator[None]:
    """Turn an error of the imaging library into a refusal.

    :param pixels: of the image. A MemoryError is passed on when they are many; with few of them, a
        damaged length in the file asked for too much.
    Raises: RefusedError, MemoryError.
    """
    try:
        yield
    except RefusedError:
        raise
    except Exception as error:
        if isinstance(error, MemoryError) and pixels > _FEW_PIXELS:
            raise
        raise RefusedError(
            "artwork.raster.damaged",
            field="file",
            name=path.name,
            file_format=file_format,
            error=library_error(error, path),
        ) from error


def _choose_page(image: Image.Image, file_format: str, page: int) -> int:
    """Go to a page and return how many there are. Raises: RefusedError."""
    pages = getattr(image, "n_frames", 1) if file_format == "TIFF" else 1
    if page > pages:
        raise RefusedError("artwork.file.no_page", field="page", page=page, count=pages)
    if page > 1:
        image.seek(page - 1)
    return pages


def _decode(image: Image.Image, file_format: str) -> None:
    """Decode all pixels. Raises: an error of the library; ValueError for a damaged TIFF."""
    with _decoder_output() as lines:
        image.load()
    if lines and file_format == "TIFF":  # the decoder reports the damage and goes on
        raise ValueError(lines[0])


def _is_packed_png(image: Image.Image) -> bool:
    return image.format == "PNG" and image.mode == "1" and "transparency" not in image.info


@contextmanager
def _decoder_output() -> Iterator[list[str]]:
    """Collect what the decoders write to standard error; the list is filled at the end."""
    lines: list[str] = []
    sys.stderr.flush()
    own = os.dup(2)
    # A full pipe loses what comes later, and holds nobody up.
    output, into = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        os.dup2(into, 2)
        try:
            yield lines
        finally:
            os.dup2(own, 2)
            with suppress(BlockingIOError):
                lines.extend(os.read(output, 2000).decode("utf-8", "replace").splitlines())
    finally:
        for descriptor in (own, output, into):
            os.close(descriptor)


def _check_size(image: Image.Image) -> None:
    width, height = image.size
    if min(width, height) < _LEAST_SIDE_PX:
        raise RefusedError(
            "artwork.raster.too_small",
            field="file",
            width_px=width,
            height_px=height,
            least_px=_LEAST_SIDE_PX,
        )
    if width * height > limits.MAX_PIXELS:
        raise RefusedError(
            "artwork.raster.too_many_pixels",
            field="file",
            width_px=width,
            height_px=height,
            megapixels=width * height / 1e6,
            limit_megapixels=limits.MAX_PIXELS / 1e6,
            limit_px=limits.MAX_PIXELS,
        )


def _check_memory(image: Image.Image) -> None:
    """Check that the decoded image fits in memory. Raises: RefusedError."""
    if image.mode in _ONE_BYTE:
        return
    if image.mode in _FOUR_BYTES:
        key, limit_px = "artwork.raster.colour_too_large", limits.MAX_COLOUR_PIXELS
    elif image.mode.startswith("I;16"):
        key, limit_px = "artwork.raster.words_too_large", limits.MAX_WORD_PIXELS
    else:
        raise RefusedError("artwork.raster.pixel_kind", field="file", mode=image.mode)
    pixels = image.width * image.height
    if pixels > limit_px:
        raise RefusedError(
            key,
            field="file",
            megapixels=pixels / 1e6,
            limit_megapixels=limit_px / 1e6,
            limit_px=limit_px,
        )


def _scale(image: Image.Image, options: MeasureOptions) -> tuple[float, Message]:
    """Return pixels per inch and where they come from.

    Raises: RefusedError when neither the options nor the file give a believable scale.
    """
    if options.dpi is not None:
        return options.dpi, DPI_GIVEN
    if options.width_mm is not None:
        return _dpi_over(image.width, options.width_mm), WIDTH_GIVEN
    return _stated_dpi(image.info.get("dpi")), FILE_DPI


def _dpi_over(width_px: int, width_mm: float) -> float:
    """Return the resolution of pixels over a width. Raises: RefusedError."""
    dpi = width_px / width_mm * MM_PER_INCH
    if not limits.MIN_DPI <= dpi <= limits.MAX_DPI:
        raise RefusedError(
            "artwork.raster.width",
            field="width_mm",
            width_px=width_px,
            width_mm=width_mm,
            dpi=dpi,
            low_dpi=limits.MIN_DPI,
            high_dpi=limits.MAX_DPI,
        )
    return dpi


def _stated_dpi(stated: tuple[float, float] | None) -> float:
    """Return the resolution that a file states, if believable. Raises: RefusedError."""
    if stated is None:
        raise RefusedError("artwork.raster.no_scale", field="dpi")
    # PNG counts whole pixels per metre: 1200 dpi come back as 1199.9976.
    x, y = (
        float(round(value)) if abs(value - round(value)) < 0.013 else float(value)
        for value in stated
    )
    if not limits.MIN_FILE_DPI <= x <= limits.MAX_DPI:
        raise RefusedError(
            "artwork.raster.stated_dpi",
            field="dpi",
            dpi=x,
            low_dpi=limits.MIN_FILE_DPI,
            high_dpi=limits.MAX_DPI,
        )
    if abs(x - y) > 0.005 * x:
        raise RefusedError("artwork.raster.not_square", field="dpi", x_dpi=x, y_dpi=y)
    return x


def _reader(image: Image.Image) -> Reader:
    """Return a function like ``Picture.read``; transparent parts lie on white."""
    width = image.width
    is_clear = image.mode in ("LA", "PA", "RGBA") or "transparency" in image.info

    has_colour = image.mode not in ("1", "L", "LA") and not image.mode.startswith("I;16")

    def read(first: int, last: int, step: int, table: Grey) -> Grey:
        if image.mode == "L" and not is_clear:
            return averaged(image, step, table, (0, first, width, last))
        top = max(0, aligned(first) - HALO_PX) if has_colour else first
        bottom = min(image.height, last + HALO_PX) if has_colour else last
        band = image.crop((0, top, width, bottom))
        if band.mode.startswith("I;16"):
            # 257 steps of 16 bits are one step of 8 bits.
            word = np.minimum(np.asarray(band), 65535 - 128) + 128
            band = Image.fromarray((word // 257).astype(np.uint8))
        if is_clear:
            if "transparency" in image.info:
                band.info["transparency"] = image.info["transparency"]
            clear = band.convert("RGBA")
            band = Image.new("RGBA", clear.size, "white")
            band.alpha_composite(clear)
        if has_colour:
            band = ink(band).crop((0, first - top, width, last - top))
        return averaged(band, step, table)

    return read


def _histogram(image: Image.Image, read: Reader) -> np.typing.NDArray[np.int64]:
    if image.mode in ("1", "L") and "transparency" not in image.info:
        return np.asarray(image.histogram(), np.int64)
    counts = np.zeros(256, np.int64)
    plain = np.arange(256, dtype=np.uint8)
    for first in range(0, image.height, _BAND_ROWS):
        counts += np.bincount(
            read(first, min(first + _BAND_ROWS, image.height), 1, plain).ravel(), minlength=256
        )
    return counts
