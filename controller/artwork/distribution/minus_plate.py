"""What a minus plate smaller than the bath's cross-section changes.

``spreading`` takes the far side of the slab at 0 V all over. Here only the minus plate is, and the
rest of that side insulates. Laplace's equation in the slab with currents s at the plate and q at
the minus plate, for wave number k > 0 and times sigma:

    potential at the plate        (coth(kH) s - csch(kH) q) / k
    potential at the minus plate  (csch(kH) s - coth(kH) q) / k

with q such that the second is 0 on the minus plate, and as much current there as at the plate. The
far side is felt only by waves longer than the gap, so the change is a small matrix between the
longest waves. Source: J. Newman and K. E. Thomas-Alyea, "Electrochemical Systems", 3rd ed. 2004,
chapter 18, for the method; the matrix follows from the two lines above.
"""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Floats, Ints

_ACROSS = 16
"""Pixels across each side of the minus plate."""

_LONGEST = 6.0
"""Waves with k H below this feel the far side; csch(6) is 0.5 %."""

_WAVES_PER_PIXEL = 4


class MinusPlate:
    """The change of the plate's potential, times sigma, for a minus plate in the bath's middle.

    :param shape: rows and columns of the plate's pixels, in the middle of the bath.
    :param bath_mm: height and width of the bath's cross-section.
    :param minus_plate_mm: height and width of the minus plate, each at most the bath's.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        pixel_mm: float,
        first_px: tuple[int, int],
        bath_mm: tuple[float, float],
        minus_plate_mm: tuple[float, float],
        gap_mm: float,
    ) -> None:
        counts = [_low_waves(side, gap_mm) for side in bath_mm]
        self._rows, self._columns = (
            _waves(np.arange(first, first + count), side, pixel_mm, waves)
            for first, count, side, waves in zip(first_px, shape, bath_mm, counts, strict=True)
        )
        self._pixel_mm2 = pixel_mm * pixel_mm
        self._matrix = _matrix(bath_mm, minus_plate_mm, gap_mm, (counts[0], counts[1]))

    def change(self, current: Floats) -> Floats:
        """Return the change of potential of each pixel for the current of each pixel."""
        coefficients = self._rows.T @ current @ self._columns * self._pixel_mm2
        changed = (self._matrix @ coefficients.reshape(-1)).reshape(coefficients.shape)
        change: Floats = self._rows @ changed @ self._columns.T
        return change


def _low_waves(side_mm: float, gap_mm: float) -> int:
    return int(_LONGEST / gap_mm * side_mm / np.pi) + 1


def _waves(pixels: Ints, side_mm: float, pixel_mm: float, count: int) -> Floats:
    """Return the mean over each pixel of each cosine wave of unit norm, shape (pixels, count)."""
    number = np.arange(count)
    turn = np.pi * pixel_mm / side_mm * number
    norm = np.sqrt(np.where(number == 0, 1.0, 2.0) / side_mm) * np.sinc(turn / (2 * np.pi))
    waves: Floats = norm * np.cos((pixels[:, None] + 0.5) * turn)
    return waves


def _matrix(
    bath_mm: tuple[float, float],
    minus_plate_mm: tuple[float, float],
    gap_mm: float,
    low: tuple[int, int],
) -> Floats:
    """Return the change of the low coefficients of the potential for those of the current."""
    grids = []
    for side, part in zip(bath_mm, minus_plate_mm, strict=True):
        count = _ACROSS + 2 * round((side / part - 1.0) * _ACROSS / 2)
        first = (count - _ACROSS) // 2
        waves = _WAVES_PER_PIXEL * count
        grids.append(
            (_waves(np.arange(first, first + _ACROSS), side, side / count, waves), side / count)
        )
    (rows, high_mm), (columns, wide_mm) = grids
    cell_mm2 = high_mm * wide_mm
    own = _own_potential(rows, columns, bath_mm, gap_mm) * cell_mm2
    wave = _wave_numbers((low[0], low[1]), bath_mm)
    wave[0] = 1.0
    sinh, cosh = np.sinh(wave * gap_mm), np.cosh(wave * gap_mm)
    across = 1.0 / (wave * sinh)
    across[0] = 0.0
    seen = np.einsum("im,jn->ijmn", rows[:, : low[0]], columns[:, : low[1]])
    seen = seen.reshape(_ACROSS**2, -1) * across
    # Columns: the answer of the minus plate to each wave, and to a potential of 1.
    answers = np.linalg.solve(own, np.column_stack([seen, np.ones(len(own))]))
    to_waves, to_one = answers[:, :-1], answers[:, -1]
    whole = float(to_one.sum())
    root = np.sqrt(bath_mm[0] * bath_mm[1])
    # Its potential against the mean of the far side, for each wave of the plate's current.
    level = -to_waves.sum(0) / whole
    level[0] = root / (cell_mm2 * whole)
    current = to_waves + np.outer(to_one, level)
    matrix = -cell_mm2 * (seen.T @ current)
    diagonal = 1.0 / (wave * sinh * cosh)
    diagonal[0] = 0.0
    matrix += np.diag(diagonal)
    matrix[0] += root * level
    result: Floats = (matrix + matrix.T) / 2
    return result


def _own_potential(
    rows: Floats, columns: Floats, bath_mm: tuple[float, float], gap_mm: float
) -> Floats:
    """Return the potential between pixels of the minus plate per current, without the mean."""
    counts = rows.shape[1], columns.shape[1]
    wave = _wave_numbers(counts, bath_mm)
    wave[0] = 1.0
    factor = 1.0 / (wave * np.tanh(wave * gap_mm))
    factor[0] = 0.0
    factors = factor.reshape(counts)
    pairs_rows = np.einsum("im,km->ikm", rows, rows).reshape(-1, counts[0])
    pairs_columns = np.einsum("jn,ln->jln", columns, columns).reshape(-1, counts[1])
    table = (pairs_rows @ factors @ pairs_columns.T).reshape((_ACROSS,) * 4)
    own: Floats = table.transpose(0, 2, 1, 3).reshape(_ACROSS**2, _ACROSS**2)
    return own


def _wave_numbers(counts: tuple[int, int], bath_mm: tuple[float, float]) -> Floats:
    """Return the wave numbers of all pairs of waves, flat, 1/mm."""
    down, across = (np.pi * np.arange(n) / side for n, side in zip(counts, bath_mm, strict=True))
    numbers: Floats = np.hypot(down[:, None], across[None, :]).reshape(-1)
    return numbers
