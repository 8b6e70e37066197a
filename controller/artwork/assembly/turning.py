"""Draws a piece's coverage onto the grid of the plate, turned and shifted. Area is preserved.

Runs inside the worker process. Coverage is 0 to 255, a pixel is a square of that coverage, and
positions are in pixels from the outer corner of the first one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from PIL import Image

from controller.artwork.assembly.layout import Point, cos_sin
from controller.artwork.loading.picture import Grey

Floats = npt.NDArray[np.float32]

_COLUMNS = 512
_ROWS = 256
"""Columns and rows that are worked on at once, to keep the memory small."""

_SAMPLES = 3
"""Samples per pixel, each way, of a piece that is turned by any angle. Source: errors of the area
of turned discs and rectangles, tests/artwork/assembly/test_turning.py."""


def drawn(
    cover: Grey,
    px_mm: float,
    middle_px: Point,
    target: Grey,
    target_px_mm: float,
    at_mm: Point,
    degrees: float,
) -> None:
    """Add a piece to the plate.

    :param px_mm: side of the piece's pixels.
    :param middle_px: the middle of the artwork, in pixels of ``cover``.
    :param target: coverage of the plate; it is changed.
    :param at_mm: where the middle comes to lie.
    :param degrees: clockwise.
    """
    at_px = at_mm[0] / target_px_mm, at_mm[1] / target_px_mm
    scale = px_mm / target_px_mm
    quarters = degrees / 90.0
    if quarters == round(quarters):
        bands = _upright(cover, round(quarters) % 4, middle_px, scale, at_px, target.shape)
    else:
        bands = _turned(cover, middle_px, scale, at_px, degrees, target.shape)
    for top, left, band in bands:
        part = target[top : top + band.shape[0], left : left + band.shape[1]]
        part[:] = np.minimum(part + np.rint(band), 255.0).astype(np.uint8)


def _upright(
    cover: Grey, quarters: int, middle_px: Point, scale: float, at_px: Point, shape: tuple[int, ...]
) -> Iterator[tuple[int, int, Floats]]:
    """Yield bands of a piece that is turned by quarters: the exact mean over each pixel."""
    height, width = cover.shape
    x, y = middle_px
    middle = ((x, y), (height - y, x), (width - x, height - y), (y, width - x))[quarters]
    cover = np.rot90(cover, -quarters)
    left, columns = _cells(at_px[0] - middle[0] * scale, cover.shape[1] * scale, shape[1])
    top, rows = _cells(at_px[1] - middle[1] * scale, cover.shape[0] * scale, shape[0])
    offset = at_px[1] - middle[1] * scale - top, at_px[0] - middle[0] * scale - left
    if not rows or not columns:
        return
    if scale == 1.0 and _is_whole(offset[0]) and _is_whole(offset[1]):
        yield top, left, cover[:rows, :columns].astype(np.float32)
        return
    narrow = np.empty((cover.shape[0], columns), np.float32)
    for first in range(0, cover.shape[0], _COLUMNS):
        block = cover[first : first + _COLUMNS]
        narrow[first : first + _COLUMNS] = means(block.T, offset[1], scale, columns).T
    for first in range(0, columns, _COLUMNS):
        yield top, left + first, means(narrow[:, first : first + _COLUMNS], offset[0], scale, rows)


def means(values: npt.NDArray[np.generic], offset: float, scale: float, count: int) -> Floats:
    """Return the means over the cells of another grid, along the first axis; 0 beyond the values.

    :param offset: where the first value begins, in cells.
    :param scale: cells per value.
    :param count: cells wanted.
    """
    total = np.zeros((len(values) + 1, *values.shape[1:]))
    np.cumsum(values, axis=0, dtype=np.float64, out=total[1:])
    edges = np.clip((np.arange(count + 1) - offset) / scale, 0.0, len(values))
    whole = np.minimum(edges.astype(np.int64), len(values) - 1)
    part = (edges - whole)[:, np.newaxis]
    at_edges = total[whole] + part * (total[whole + 1] - total[whole])
    found: Floats = (np.diff(at_edges, axis=0) * scale).astype(np.float32)
    return found


def _turned(
    cover: Grey,
    middle_px: Point,
    scale: float,
    at_px: Point,
    degrees: float,
    shape: tuple[int, ...],
) -> Iterator[tuple[int, int, Floats]]:
    """Yield bands of a piece that is turned by any angle, each pixel the mean of its samples."""
    cos, sin = cos_sin(degrees)
    samples = max(_SAMPLES, math.ceil(2.0 / scale))
    # A rim of resist: the library repeats the outermost pixels, and takes none beyond them.
    image = Image.fromarray(np.pad(cover, 2).astype(np.float32))
    x, y = middle_px[0] + 2.0, middle_px[1] + 2.0
    corners = [
        (scale * (cos * dx - sin * dy), scale * (sin * dx + cos * dy))
        for dx in (-x, image.width - x)
        for dy in (-y, image.height - y)
    ]
    low = [min(corner[axis] for corner in corners) + at_px[axis] for axis in (0, 1)]
    size = [max(corner[axis] for corner in corners) + at_px[axis] - low[axis] for axis in (0, 1)]
    left, columns = _cells(low[0], size[0], shape[1])
    top, rows = _cells(low[1], size[1], shape[0])
    step = 1.0 / (samples * scale)
    for first in range(top, top + rows, _ROWS):
        count = min(_ROWS, top + rows - first)
        from_x, from_y = (left - at_px[0]) / scale, (first - at_px[1]) / scale
        table = (
            cos * step, sin * step, cos * from_x + sin * from_y + x,
            -sin * step, cos * step, -sin * from_x + cos * from_y + y,
        )  # fmt: skip
        band = image.transform(
            (columns * samples, count * samples),
            Image.Transform.AFFINE,
            table,
            Image.Resampling.BILINEAR,
        )
        sampled = np.asarray(band).reshape(count, samples, columns, samples)
        yield first, left, sampled.mean(axis=(1, 3), dtype=np.float32)


def _cells(low: float, size: float, most: int) -> tuple[int, int]:
    """Return the first cell that a span touches, and how many, on a grid of ``most`` cells."""
    first = max(0, math.floor(low + 1e-7))
    last = min(most, math.ceil(low + size - 1e-7))
    return first, max(0, last - first)


def _is_whole(value: float) -> bool:
    return abs(value) < 1e-6
