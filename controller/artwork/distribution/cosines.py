"""Cosine transforms in two directions, by numpy's FFT.

A mirror at each side of the sheet makes a convolution a product of cosine coefficients (type II).
Source of the algorithm: J. Makhoul, "A fast cosine transform in one and two dimensions", IEEE
Trans. ASSP 28 (1980) 27: even samples forward, odd samples backward, one FFT, one turn of phase.
"""

from __future__ import annotations

import numpy as np
import numpy.fft
import numpy.typing as npt

from controller.artwork.outline.chain import Floats, Ints

Complexes = npt.NDArray[np.complex128]


def nice_size(least: int) -> int:
    """Return the smallest even number from ``least`` on with no prime factor above 5."""
    size = least + least % 2
    while True:
        rest = size
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return size
        size += 2


class CosineFilter:
    """Multiplies the cosine coefficients of a sheet by given factors.

    The sheet is kept in the algorithm's own order of rows and columns, see ``place``.

    :param rows, columns: size of the sheet in pixels, both even.
    """

    def __init__(self, rows: int, columns: int) -> None:
        self._rows, self._columns = rows, columns
        self._turn_rows = _turns(rows)[:, None]
        self._turn_columns = _turns(columns)[None, :]

    def place(self, row: Ints, column: Ints) -> Ints:
        """Return where pixels of these rows and columns stand in the flat, reordered sheet."""
        return _order(row, self._rows) * self._columns + _order(column, self._columns)

    def arranged(self, factors: Floats) -> Floats:
        """Return factors of the coefficients (rows, columns) in the order that ``apply`` needs."""
        low, high = _pairs(self._columns)
        paired = np.stack([factors[:, low], factors[:, high]], axis=2)
        paired = paired.reshape(self._rows, 2 * len(low))
        low, high = _pairs(self._rows)
        return np.stack([paired[low], paired[high]], axis=2)

    def apply(self, sheet: Floats, arranged: Floats) -> Floats:
        """Return the sheet (flat, reordered) with its coefficients multiplied."""
        half: Complexes = np.fft.rfft(sheet.reshape(self._rows, self._columns), axis=1)
        half *= self._turn_columns
        whole: Complexes = np.fft.rfft(half.view(np.float64), axis=0)
        whole *= self._turn_rows
        whole.view(np.float64).reshape(arranged.shape)[...] *= arranged
        whole *= self._turn_rows.conj()
        half = np.fft.irfft(whole, self._rows, axis=0).view(np.complex128)
        half *= self._turn_columns.conj()
        back: Floats = np.fft.irfft(half, self._columns, axis=1)
        return back.reshape(-1)


def _turns(count: int) -> Complexes:
    turns: Complexes = np.exp(-0.5j * np.pi / count * np.arange(count // 2 + 1))
    return turns


def _order(index: Ints, count: int) -> Ints:
    """Return the place of a sample: even ones forward from the start, odd ones from the end."""
    placed: Ints = np.where(index % 2 == 0, index // 2, count - 1 - index // 2)
    return placed


def _pairs(count: int) -> tuple[Ints, Ints]:
    """Return which coefficients stand in the real and in the imaginary part.

    The imaginary part beside coefficient 0 is always 0, so any factor does there.
    """
    low = np.arange(count // 2 + 1)
    return low, np.where(low == 0, 0, count - low)
