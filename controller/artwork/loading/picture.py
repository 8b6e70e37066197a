"""A page of grey levels that is read in bands. The loaders make it, the sheet reads it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from controller.texts import Message

Grey = npt.NDArray[np.uint8]

_RISING = np.arange(256, dtype=np.uint8)


@dataclass(frozen=True)
class Picture:
    """One image or page with its physical scale.

    :param read: called with (y0, y1, step, table). Looks up the grey levels of rows y0 to y1
        (excluded) in a table of 256 entries and averages blocks of step x step; y0 is a multiple
        of step. Blocks at the right and lower edge average the pixels that exist.
    :param histogram: counts of the 256 grey levels over the whole page, or None when the page is
        drawn black on white.
    :param dpi: pixels per inch, the same both ways.
    :param scale_source: where the scale comes from.
    :param warnings: what may be wrong with the file.
    :param file_format: PNG, TIFF, JPEG, PDF or SVG.
    :param shades: levels that the renderer shades edges with, for drawings.
    """

    width_px: int
    height_px: int
    read: Callable[[int, int, int, Grey], Grey]
    histogram: npt.NDArray[np.int64] | None
    dpi: float
    scale_source: Message
    file_format: str
    page: int
    warnings: tuple[Message, ...] = ()
    shades: int = 256


def page_warning(page: int, pages: int) -> tuple[Message, ...]:
    """Return a warning that only one of several pages was measured; empty for a single page."""
    if pages == 1:
        return ()
    return (Message("artwork.file.one_page_of", {"page": page, "pages": pages}),)


def looked_up(grey: Grey, table: Grey) -> Grey:
    """Return the table's entry for each grey level.

    The plain tables need no look-up, which would take as long as all other work.
    """
    if np.array_equal(table, _RISING[::-1]):
        return np.subtract(255, grey)
    return grey if np.array_equal(table, _RISING) else table[grey]


def averaged(
    image: Image.Image, step: int, table: Grey, part: tuple[int, int, int, int] | None = None
) -> Grey:
    """Return the looked-up averages of blocks of ``step`` x ``step`` pixels of an image.

    :param part: left, top, right and bottom of the wanted part, or None for the whole image.
    """
    if image.mode != "L":
        image = image.convert("L")
    if np.array_equal(table, _RISING[::-1]):  # averaging first gives the same and costs less
        return looked_up(np.asarray(image.reduce(step, part)), table)
    return np.asarray(
        (image if part is None else image.crop(part)).point(table.tolist()).reduce(step)
    )
