"""The potential of a current on the plate, in a bath between insulating walls.

A slab of liquid of thickness H lies between plate and minus plate, which stands at 0 V and covers
the bath's whole cross-section. A current density j on the plate, with cosine coefficient of wave
number k, raises the plate's own potential by tanh(kH) / (sigma k) per unit of j: Laplace's equation
in the slab, solved by separation of variables (J. Newman and K. E. Thomas-Alyea, "Electrochemical
Systems", 3rd ed. 2004, chapter 18). At k = 0 that is H / sigma, the resistance of the plain slab.

Everything here is in mm: the factors are those times sigma.
"""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Floats

_ALIASES = (0, -1, 1)
"""A step function of pixels holds more waves than the sheet has pixels. The first ones beyond are
enough: their share falls with the third power of the wave number."""


def spreading_mm(rows: int, columns: int, pixel_mm: float, gap_mm: float) -> Floats:
    """Return sigma * potential per current density for each cosine coefficient, mm.

    Both are means over a pixel, so each wave carries the square of a pixel's sinc.
    """
    total = np.zeros((rows, columns))
    for alias_row in _ALIASES:
        wave_y, share_y = _waves(rows, alias_row, pixel_mm)
        for alias_column in _ALIASES:
            wave_x, share_x = _waves(columns, alias_column, pixel_mm)
            wave = np.hypot(wave_y[:, None], wave_x[None, :])
            if alias_row == alias_column == 0:
                wave[0, 0] = 1.0
                part = np.tanh(wave * gap_mm) / wave
                part[0, 0] = gap_mm
            else:
                part = np.tanh(wave * gap_mm) / wave
            part *= share_y[:, None]
            part *= share_x[None, :]
            total += part
    return total


def _waves(count: int, alias: int, pixel_mm: float) -> tuple[Floats, Floats]:
    """Return the wave numbers, 1/mm, and the share of each that a pixel's mean keeps, squared."""
    turn = np.pi * (np.arange(count) / count + 2.0 * alias)
    return turn / pixel_mm, np.sinc(turn / (2.0 * np.pi)) ** 2
