"""PNG, TIFF and JPEG files as pictures with a scale."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from PIL import Image

from controller.artwork import limits
from controller.artwork.loading.one_bit import PackedPixels, packed_png
from controller.artwork.loading.picture import Grey, Picture, averaged
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.units import MM_PER_INCH

_ONE_BYTE = ("1", "L", "P")
_FOUR_BYTES = ("LA", "PA", "RGB", "RGBA", "RGBX", "CMYK", "YCbCr")
_BAND_ROWS = 256

_FEW_PIXELS = 20_000_000
"""Decoding so many pixels never runs out of memory."""

Reader = Callable[[int, int, int, Grey], Grey]


def load_raster(path: Path, file_format: str, options: MeasureOptions) -> Picture:
    """Return the picture in a PNG, TIFF or JPEG file.

    Raises: RefusedError when it is damaged, too large, of an unsuitable kind, or has no believable scale.
    """
    Image.MAX_IMAGE_PIXELS = (
        None  # the limits below are checked from the header, before anything is decoded
    )
    with path.open("rb") as file:
        pixels = 0
        try:
            image: Image.Image = Image.open(file, formats=(file_format,))
            width_px, pixels = image.width, image.width * image.height
            pages = getattr(image, "n_frames", 1) if file_format == "TIFF" else 1
            if options.page > pages:
                raise RefusedError(
                    f"page {options.page} is asked for, the file has {pages}",
                    field="page",
                    limit=f"1-{pages}",
                )
            if options.page > 1:
                image.seek(options.page - 1)
            _check_size(image)
            dpi, scale_source = _scale(image, options)
            if file_format == "JPEG":
                image.draft("L", image.size)
            _check_memory(image)
            packed = packed_png(path) if _is_packed_png(image) else None
            if packed is not None:
                image = Image.open(packed, formats=(file_format,))
            with _listening() as said:
                image.load()
            if said and file_format == "TIFF":  # the decoder reports broken data and carries on
                raise ValueError(said[0])
        except RefusedError:
            raise
        except Exception as error:
            if isinstance(error, MemoryError) and pixels > _FEW_PIXELS:
                raise  # else a damaged length asked for it
            raise RefusedError(
                f"{path.name} cannot be read as {file_format} ({type(error).__name__}: {error}): it is damaged or cut short, "
                "save it again",
                field="file",
            ) from error
    warnings = (
        () if pages == 1 else (f"the file has {pages} pages, page {options.page} was measured",)
    )
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
        warnings,
    )


def _is_packed_png(image: Image.Image) -> bool:
    return image.format == "PNG" and image.mode == "1" and "transparency" not in image.info


@contextmanager
def _listening() -> Iterator[list[str]]:
    """Collect what the decoders write to standard error meanwhile; the list holds it afterwards."""
    said: list[str] = []
    sys.stderr.flush()
    own = os.dup(2)
    try:
        with tempfile.TemporaryFile() as heard:
            os.dup2(heard.fileno(), 2)
            try:
                yield said
            finally:
                os.dup2(own, 2)
                heard.seek(0)
                said.extend(heard.read(2000).decode("utf-8", "replace").splitlines())
    finally:
        os.close(own)


def _check_size(image: Image.Image) -> None:
    width, height = image.size
    if min(width, height) < 8:
        raise RefusedError(
            f"the image has {width} x {height} pixels, it needs at least 8 each way",
            field="file",
            limit="8 px",
        )
    if width * height > limits.MAX_PIXELS:
        raise RefusedError(
            f"the image has {width} x {height} = {width * height / 1e6:.0f} million pixels, more than "
            f"{limits.MAX_PIXELS / 1e6:.0f} million (A4 at 1200 dpi has 139): save it at a lower resolution",
            field="file",
            limit=f"{limits.MAX_PIXELS} px",
        )


def _check_memory(image: Image.Image) -> None:
    """Refuse what would not fit in memory once decoded."""
    if image.mode in _ONE_BYTE:
        return
    if image.mode in _FOUR_BYTES:
        kind, limit = "a colour or transparent", limits.MAX_COLOUR_PIXELS
    elif image.mode.startswith("I;16"):
        kind, limit = "a 16-bit", limits.MAX_WORD_PIXELS
    else:
        raise RefusedError(
            f"pixels of kind {image.mode} are not read: save the artwork as 8-bit grey or black and white",
            field="file",
        )
    pixels = image.width * image.height
    if pixels > limit:
        raise RefusedError(
            f"{kind} image of {pixels / 1e6:.0f} million pixels needs too much memory, the limit is {limit / 1e6:.0f} million: "
            "save it as 8-bit grey or black and white",
            field="file",
            limit=f"{limit} px",
        )


def _scale(image: Image.Image, options: MeasureOptions) -> tuple[float, str]:
    """Return pixels per inch and where they come from. Raises: RefusedError when nothing believable is known."""
    if options.dpi is not None:
        return options.dpi, "dpi given"
    if options.width_mm is not None:
        dpi = image.width / options.width_mm * MM_PER_INCH
        if not limits.MIN_DPI <= dpi <= limits.MAX_DPI:
            raise RefusedError(
                f"{image.width} pixels over {options.width_mm:g} mm are {dpi:.4g} dpi, outside {limits.MIN_DPI:g} to "
                f"{limits.MAX_DPI:g}: check width_mm",
                field="width_mm",
                limit=f"{limits.MIN_DPI:g}-{limits.MAX_DPI:g} dpi",
            )
        return dpi, "width given"
    stated = image.info.get("dpi")
    advice = "give dpi, or the width of the whole image as width_mm"
    if stated is None:
        raise RefusedError(f"the file does not say how large it is: {advice}", field="dpi")
    # PNG counts whole pixels per metre: 1200 dpi come back as 1199.9976.
    x, y = (
        float(round(value)) if abs(value - round(value)) < 0.013 else float(value)
        for value in stated
    )
    if not limits.MIN_FILE_DPI <= x <= limits.MAX_DPI:
        raise RefusedError(
            f"the file states {x:.4g} dpi, outside {limits.MIN_FILE_DPI:g} to {limits.MAX_DPI:g}, which many programs write "
            f"without knowing: {advice}",
            field="dpi",
            limit=f"{limits.MIN_FILE_DPI:g}-{limits.MAX_DPI:g} dpi",
        )
    if abs(x - y) > 0.005 * x:
        raise RefusedError(
            f"the file states {x:.4g} x {y:.4g} dpi: its pixels are not square, save it with the same resolution both ways",
            field="dpi",
        )
    return x, "resolution in the file"


def _reader(image: Image.Image) -> Reader:
    """Return a function that gives looked-up, averaged rows, transparent parts laid on white."""
    width = image.width
    is_clear = image.mode in ("LA", "PA", "RGBA") or "transparency" in image.info

    def read(first: int, last: int, step: int, table: Grey) -> Grey:
        if image.mode == "L" and not is_clear:
            return averaged(image, step, table, (0, first, width, last))
        band = image.crop((0, first, width, last))
        if band.mode.startswith("I;16"):
            word = (
                np.minimum(np.asarray(band), 65535 - 128) + 128
            )  # 257 steps of 16 bits are one of 8
            band = Image.fromarray((word // 257).astype(np.uint8))
        if is_clear:
            if "transparency" in image.info:
                band.info["transparency"] = image.info["transparency"]
            clear = band.convert("RGBA")
            band = Image.new("RGBA", clear.size, "white")
            band.alpha_composite(clear)
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
