"""Which open pixels lie in openings of at least a given width.

A pixel does when a disc of that diameter fits into the open metal and covers it: an opening by a
disc, in the words of image analysis. Source: J. Serra, "Image Analysis and Mathematical
Morphology", 1982. Only Boolean arrays are combined, which takes about a nanosecond per pixel.
"""

from __future__ import annotations

import math

import numpy as np

from controller.artwork.outline.chain import Bools, Floats, Ints


def opened(is_open: Bools, diameter_px: float) -> Bools:
    """Return the open pixels that a disc inside the open metal covers. Beyond the array is resist.

    :param diameter_px: rounded to whole pixels; an opening that is as wide is wide enough.
    """
    size = max(1, round(diameter_px))
    if size == 1:
        return is_open.copy()
    if size >= min(is_open.shape) + 1:
        return np.zeros_like(is_open)
    chords = _chords(size)
    fits = _fitting(is_open, chords)
    padded = np.pad(fits, ((size - 1, 0), (size - 1, 0)))[: is_open.shape[0] + size - 1]
    return _covered(padded, chords, is_open.shape)


def width_at(is_open: Bools, row: int, column: int, most_px: int) -> int:
    """Return the diameter of the largest disc in the open metal that covers a pixel, px.

    :param most_px: no wider opening is looked for.
    """
    top, left = max(0, row - most_px), max(0, column - most_px)
    around = is_open[top : row + most_px + 1, left : column + most_px + 1]
    width = 0
    while width < most_px and opened(around, width + 1)[row - top, column - left]:
        width += 1
    return width


def rim_distance(is_open: Bools) -> Floats:
    """Return the distance from each open pixel's middle to the nearest resist, px; 0 in resist.

    Beyond the array is resist. For sheets up to some hundred pixels a side: it visits as many rows
    as the largest opening is high.
    """
    padded = np.pad(is_open, 1)
    rows, columns = padded.shape
    along = np.arange(columns)
    before = np.maximum.accumulate(np.where(padded, -1, along), axis=1)
    behind = np.minimum.accumulate(np.where(padded, columns, along)[:, ::-1], axis=1)[:, ::-1]
    aside = np.minimum(along - before, behind - along).astype(np.float32) ** 2
    least = aside.copy()
    reach = 1
    while reach < rows and float(least.max()) > reach * reach:
        square = np.float32(reach * reach)
        np.minimum(least[reach:], aside[:-reach] + square, out=least[reach:])
        np.minimum(least[:-reach], aside[reach:] + square, out=least[:-reach])
        reach += 1
    # A pixel's own half separates the middle of the nearest resist pixel from the rim.
    distance: Floats = np.sqrt(least[1:-1, 1:-1].astype(np.float64)) - 0.5
    return np.where(is_open, distance, 0.0)


def _chords(size: int) -> Ints:
    """Return the width of each row of a disc, in whole pixels of the same parity as its size."""
    middle = (size - 1) / 2
    half = np.sqrt(np.maximum(0.0, (size / 2) ** 2 - (np.arange(size) - middle) ** 2))
    chords: Ints = np.maximum(1, 2 * np.rint(half - (size % 2) / 2).astype(np.intp) + size % 2)
    return np.where(chords > size, size, chords)


def _fitting(is_open: Bools, chords: Ints) -> Bools:
    """Return at which corners the disc's square can stand so that the disc is all open."""
    size = len(chords)
    rows, columns = (side - size + 1 for side in is_open.shape)
    fits = np.ones((rows, columns), np.bool_)
    runs: dict[int, Bools] = {}
    for row, chord in enumerate(chords.tolist()):
        if chord not in runs:
            runs[chord] = _runs(is_open, chord, np.logical_and)
        first = (size - chord) // 2
        fits &= runs[chord][row : row + rows, first : first + columns]
    return fits


def _covered(fits: Bools, chords: Ints, shape: tuple[int, ...]) -> Bools:
    """Return the pixels that a disc at one of the corners covers.

    :param fits: with room for the disc before the first row and column.
    """
    size = len(chords)
    rows, columns = shape
    fits = np.pad(fits, ((0, size - 1), (0, size - 1)))
    covered = np.zeros((rows, columns), np.bool_)
    runs: dict[int, Bools] = {}
    for row, chord in enumerate(chords.tolist()):
        if chord not in runs:
            runs[chord] = _runs(fits, chord, np.logical_or)
        first = size - 1 - (size - chord) // 2 - (chord - 1)
        top = size - 1 - row
        covered |= runs[chord][top : top + rows, first : first + columns]
    return covered


def _runs(values: Bools, length: int, combine: np.ufunc) -> Bools:
    """Return each pixel combined with the next ``length - 1`` in its row, by doubling."""
    done, result = 1, values
    while done < length:
        step = min(done, length - done)
        result = combine(result[:, : result.shape[1] - step], result[:, step:])
        done += step
    return result


def middle_of(index: int, shape: tuple[int, ...]) -> tuple[int, int]:
    """Return row and column of a place in a flat array."""
    row, column = divmod(index, shape[1])
    return int(row), int(column)


def pixels_of(length_mm: float, pixel_mm: float) -> int:
    """Return a length in whole pixels, at least 1."""
    return max(1, math.ceil(length_mm / pixel_mm))
