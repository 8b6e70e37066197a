"""A page of grey levels, read in bands: what the loaders make and the sheet takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

Grey = npt.NDArray[np.uint8]

_RISING = np.arange(256, dtype=np.uint8)


@dataclass(frozen=True)
class Picture:
    """One image or page with its physical scale.

    :param read: rows (y0, y1, step, table): looks the grey levels of rows y0 to y1 (excluded) up in a table of 256 and
        averages blocks of step x step; y0 is a multiple of step. Blocks at the right and lower edge average what there is.
    :param histogram: counts of the 256 grey levels over the whole page, or None when it is drawn black on white.
    :param dpi: pixels per inch, the same both ways.
    :param scale_source: where the scale comes from, for a person.
    :param file_format: PNG, TIFF, JPEG, PDF or SVG.
    :param shades: levels that the renderer shades edges with, for drawings.
    """

    width_px: int
    height_px: int
    read: Callable[[int, int, int, Grey], Grey]
    histogram: npt.NDArray[np.int64] | None
    dpi: float
    scale_source: str
    file_format: str
    page: int
    warnings: tuple[str, ...] = ()
    shades: int = 256


def looked_up(grey: Grey, table: Grey) -> Grey:
    """Return the table's entry for each grey level. The plain tables need no look-up, which costs as much as all the rest."""
    if np.array_equal(table, _RISING[::-1]):
        return np.subtract(255, grey)
    return grey if np.array_equal(table, _RISING) else table[grey]


def averaged(
    image: Image.Image, step: int, table: Grey, part: tuple[int, int, int, int] | None = None
) -> Grey:
    """Return the looked-up averages of blocks of ``step`` x ``step`` pixels of an image.

    :param part: left, top, right, bottom of what is asked for, or None for all of it.
    """
    if image.mode != "L":
        image = image.convert("L")
    if np.array_equal(table, _RISING[::-1]):  # averaging first is the same, and cheaper
        return looked_up(np.asarray(image.reduce(step, part)), table)
    return np.asarray(
        (image if part is None else image.crop(part)).point(table.tolist()).reduce(step)
    )
