"""Solves for the current on the open metal: (R + K) j = V there, j = 0 elsewhere.

R is the surface resistance and K the spreading in the bath (``spreading``). Over the conductivity
both are lengths, and only the Wagner length R * sigma is left to choose. The unknown is the current
of each pixel over the pixel's area: of a partly open pixel, R acts on the open share alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.artwork.distribution.cosines import CosineFilter, nice_size
from controller.artwork.distribution.minus_plate import MinusPlate
from controller.artwork.distribution.spreading import spreading_mm
from controller.artwork.outline.chain import Floats
from controller.errors import RefusedError
from controller.physics.bath_field import BathField, wagner_length_mm

TOLERANCE = 1e-4
"""Residual over right-hand side at which the solution is good enough: currents are then right to
about a thousandth, far below what a gauge can read."""

MAX_STEPS = 200
"""Steps of the conjugate gradients. A usual plate takes 5 to 15."""

LEAST_SHARE = 1e-3
"""Pixels with less open metal carry no current: less than one step of a grey pixel."""

OWN_PIXELS = 0.47
"""sigma * mean potential of a square pixel over its own current density, in sides of the pixel:
4 (ln(1 + sqrt 2) + (1 - sqrt 2) / 3) / (2 pi) = 0.473. It steers only the solver's pace."""


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
        self._shape = open_share.shape[0], open_share.shape[1]
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
        self._minus_plate = self._smaller((rows, columns), pixel_mm, field)
        self._spreading = spreading_mm(rows, columns, pixel_mm, field.gap_mm)
        self._arranged = self._filter.arranged(self._spreading)
        self._share: Floats = open_share.reshape(-1)[self._flat].astype(np.float64)
        # The current of a partly open pixel crowds into its open share: a strip of it has a
        # potential higher by ln(1/share) / pi than the whole pixel with the same current.
        self._crowding_mm = -pixel_mm / np.pi * np.log(self._share)
        self._own_mm = OWN_PIXELS * pixel_mm
        self._known: list[tuple[Floats, Floats]] = []

    def solve(self, evenness: float) -> Solution:
        """Return the distribution at an evenness, 0 uniform to 1 ohmic. Raises: RefusedError."""
        wagner_mm = wagner_length_mm(evenness)
        if math.isinf(wagner_mm):
            current, steps = self._share.copy(), 0
            potential = self._spread(current)
        else:
            current, potential, steps = self._solved(wagner_mm)
        total, area = float(current.sum()), float(self._share.sum())
        ratios = np.zeros(self._shape)
        ratios.reshape(-1)[self._flat] = current / self._share * (area / total)
        return Solution(ratios, float(current @ potential) * area / total**2, steps)

    @property
    def open_pixels(self) -> float:
        """The open area, in pixels."""
        return float(self._share.sum())

    def _spread(self, current: Floats) -> Floats:
        """Return the potential of the open metal from the current through the bath."""
        potential = self._filtered(current, self._arranged) + self._crowding_mm * current
        if self._minus_plate is not None:
            sheet = np.zeros(self._shape)
            sheet.reshape(-1)[self._flat] = current
            potential += self._minus_plate.change(sheet).reshape(-1)[self._flat]
        return potential

    def _smaller(
        self, cells: tuple[int, int], pixel_mm: float, field: BathField
    ) -> MinusPlate | None:
        """Return what the minus plate changes, or None when it covers the bath's cross-section."""
        if field.minus_plate_mm is None:
            return None
        bath_mm = cells[0] * pixel_mm, cells[1] * pixel_mm
        width_mm, height_mm = field.minus_plate_mm
        size_mm = min(height_mm, bath_mm[0]), min(width_mm, bath_mm[1])
        if size_mm == bath_mm:
            return None
        first = (cells[0] - self._shape[0]) // 2, (cells[1] - self._shape[1]) // 2
        return MinusPlate(self._shape, pixel_mm, first, bath_mm, size_mm, field.gap_mm)

    def _filtered(self, values: Floats, factors: Floats) -> Floats:
        sheet = np.zeros(self._cells)
        sheet[self._place] = values
        result: Floats = self._filter.apply(sheet, factors)[self._place]
        return result

    def _solved(self, wagner_mm: float) -> tuple[Floats, Floats, int]:
        """Return the current of each pixel, the potential from the bath, and the steps taken.

        Preconditioned conjugate gradients. The preconditioner is the inverse for a plate that is
        open all over, scaled where a pixel is partly open.
        """
        surface_mm = wagner_mm / self._share
        inverse = 1.0 / (self._arranged + wagner_mm)
        own = surface_mm + self._crowding_mm + self._own_mm
        scale = np.sqrt((wagner_mm + self._own_mm) / own)
        current, potential = self._start(surface_mm)
        residual = 1.0 - surface_mm * current - potential
        limit = TOLERANCE * math.sqrt(len(residual))
        way: Floats | None = None
        before, steps = 1.0, 0
        while float(np.linalg.norm(residual)) > limit and steps < MAX_STEPS:
            steps += 1
            likely = scale * self._filtered(scale * residual, inverse)
            now = float(residual @ likely)
            way = likely if way is None else likely + (now / before) * way
            before = now
            from_way = self._spread(way)
            whole = surface_mm * way + from_way
            length = now / float(way @ whole)
            current += length * way
            potential += length * from_way
            residual -= length * whole
        if steps:
            self._known.append((current, potential))
        return current, potential, steps

    def _start(self, surface_mm: Floats) -> tuple[Floats, Floats]:
        """Return the best mix of the known solutions: the one of least energy."""
        current, potential = np.zeros(len(self._flat)), np.zeros(len(self._flat))
        if self._known:
            matrix = np.array(
                [
                    [one @ (surface_mm * two + of_two) for two, of_two in self._known]
                    for one, _ in self._known
                ]
            )
            sums = np.array([one.sum() for one, _ in self._known])
            mix = np.linalg.lstsq(matrix, sums, rcond=1e-12)[0]
            for share, (one, of_one) in zip(mix, self._known, strict=True):
                current += share * one
                potential += share * of_one
        return current, potential
