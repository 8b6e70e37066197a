"""Solves for the current on the open metal: (R + K) j = V there, j = 0 elsewhere.

R is the surface resistance and K the spreading in the bath (``spreading``). Over the conductivity
both are lengths, and only the Wagner length R * sigma is left to choose. The unknown is the current
through the open share of each pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.artwork.distribution.cosines import CosineFilter, nice_size
from controller.artwork.distribution.spreading import spreading_mm
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError
from controller.physics.bath_field import BathField, wagner_length_mm

TOLERANCE = 1e-4
"""Residual over right-hand side at which the solution is good enough: currents are then right to
about a thousandth, far below what a gauge can read."""

MAX_STEPS = 200
"""Steps of the conjugate gradients. A usual plate takes 5 to 15."""

LEAST_SHARE = 0.02
"""Pixels with less open metal carry no current: shading of a scan, not an opening."""


@dataclass(frozen=True, slots=True)
class Solution:
    """The current on the open metal at 1 V over the conductivity.

    :param ratios: local current density over the mean over the open metal; 0 where nothing is
        open.
    :param bath_mm: sigma * resistance of the bath * open area: what the bath alone adds, without
        the surface resistance.
    :param steps: of the conjugate gradients.
    """

    ratios: Floats
    bath_mm: float
    steps: int


class CurrentSolver:
    """The distribution of the current on one pattern in one bath, for any evenness.

    It keeps its solutions: each next one starts from the best mix of those before.

    :param open_share: open share of each pixel of the plate, 0 to 1.
    :param pixel_mm: side of a pixel.
    :param field: gap and margin of the bath.
    Raises: RefusedError when nothing is open.
    """

    def __init__(self, open_share: Floats, pixel_mm: float, field: BathField) -> None:
        self._shape = open_share.shape
        margin_px = field.margin_mm / pixel_mm
        rows, columns = (nice_size(math.ceil(n + 2 * margin_px)) for n in self._shape)
        self._filter = CosineFilter(rows, columns)
        self._flat = np.flatnonzero(open_share >= LEAST_SHARE)
        if not len(self._flat):
            raise RefusedError("artwork.nothing_dark", field="invert", level=0.5)
        row, column = np.divmod(self._flat, self._shape[1])
        self._place = self._filter.place(
            row + (rows - self._shape[0]) // 2, column + (columns - self._shape[1]) // 2
        )
        self._cells = rows * columns
        self._spreading = spreading_mm(rows, columns, pixel_mm, field.gap_mm)
        self._arranged = self._filter.arranged(self._spreading)
        self._share: Floats = open_share.reshape(-1)[self._flat].astype(np.float64)
        self._root = np.sqrt(self._share)
        # The current of a partly open pixel crowds into its open share. For a strip in the middle
        # of the pixel that adds ln(1/share) / pi to its own potential.
        self._crowding_mm = -pixel_mm / np.pi * self._share * np.log(self._share)
        self._known: list[tuple[Floats, Floats]] = []

    def solve(self, evenness: float) -> Solution:
        """Return the distribution at an evenness, 0 uniform to 1 ohmic. Raises: RefusedError."""
        wagner_mm = wagner_length_mm(evenness)
        if math.isinf(wagner_mm):
            unknown, steps = self._root.copy(), 0
            spread = self._spread(unknown)
        else:
            unknown, spread, steps = self._solved(wagner_mm)
        current = float(self._root @ unknown)
        area = float(self._share.sum())
        ratios = np.zeros(self._shape)
        ratios.reshape(-1)[self._flat] = unknown / self._root * (area / current)
        return Solution(ratios, float(unknown @ spread) * area / current**2, steps)

    def _spread(self, unknown: Floats) -> Floats:
        """Return the bath's part of the equations, without the surface resistance."""
        return self._filtered(unknown, self._arranged) + self._crowding_mm * unknown

    def _filtered(self, unknown: Floats, factors: Floats) -> Floats:
        sheet = np.zeros(self._cells)
        sheet[self._place] = self._root * unknown
        result: Floats = self._root * self._filter.apply(sheet, factors)[self._place]
        return result

    def _solved(self, wagner_mm: float) -> tuple[Floats, Floats, int]:
        """Return the unknown, the bath's part of it, and the steps taken."""
        unknown, spread = self._start(wagner_mm)
        inverse = 1.0 / (self._arranged + wagner_mm)
        residual = self._root - wagner_mm * unknown - spread
        limit = TOLERANCE * float(np.linalg.norm(self._root))
        way: Floats | None = None
        before = 1.0
        steps = 0
        while float(np.linalg.norm(residual)) > limit and steps < MAX_STEPS:
            steps += 1
            likely = self._filtered(residual, inverse)
            now = float(residual @ likely)
            way = likely if way is None else likely + (now / before) * way
            before = now
            spread_way = self._spread(way)
            length = now / (wagner_mm * float(way @ way) + float(way @ spread_way))
            unknown += length * way
            spread += length * spread_way
            residual -= length * (wagner_mm * way + spread_way)
        if steps:
            self._known.append((unknown, spread))
        return unknown, spread, steps

    def _start(self, wagner_mm: float) -> tuple[Floats, Floats]:
        """Return the best mix of the known solutions: the one of least energy."""
        if not self._known:
            zeros = np.zeros(len(self._flat))
            return zeros, zeros.copy()
        count = len(self._known)
        matrix, right = np.empty((count, count)), np.empty(count)
        for i, (unknown, _) in enumerate(self._known):
            right[i] = float(unknown @ self._root)
            for j, (other, spread) in enumerate(self._known):
                matrix[i, j] = wagner_mm * float(unknown @ other) + float(unknown @ spread)
        mix = np.linalg.lstsq(matrix, right, rcond=1e-12)[0]
        unknown = sum(m * known for m, (known, _) in zip(mix, self._known, strict=True))
        spread = sum(m * spread for m, (_, spread) in zip(mix, self._known, strict=True))
        return unknown, spread
