"""What a reading shows: a sum of logarithms, how sure it is, and how it may be wrong. Pure.

A depth d at a place with the ratio r measures

    ln V_e(d / r) - ln(k Q) = bath + run - area + slope * offsets + noise.

A weighing measures bath + run only, because mass does not depend on area and undercut.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.physics.faraday import Metal, removed_mass_g
from controller.physics.learning.volume import VolumeCurve, volume_curve
from controller.physics.readings import GaugeReading, Reading
from controller.physics.relief import Growth
from controller.units import positive

Cell = tuple[float, float | None]
"""Etch factor and evenness."""

Shown = tuple[float, float]
"""What a reading shows in a cell, and the derivative of that by the reading."""

BLUNDER_SHARE = 0.05
BLUNDER_MM = 0.05
"""One reading in twenty is wrong by about this much: a slipped gauge, a wrong digit. Common
practice, no source."""
DATUM_SHARE = 0.025
"""Share of readings with the film left in, and the same again with the film subtracted twice.
Common practice, no source."""
GROSS_SHARE = 0.01
GROSS_LN = 0.7
"""One reading in a hundred is of another piece or in another unit: wrong by about a factor of two,
as the standard deviation of a logarithm. Common practice, no source."""
BLUNDER_LN = 0.2
"""Standard deviation of ln(mass lost) in a blunder of weighing. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Shape:
    """One way in which a reading comes about.

    :param share: how often.
    :param shift: how much more it then shows, in the logarithm.
    :param variance: of its error.
    """

    share: float
    shift: float
    variance: float


@dataclass(frozen=True, slots=True)
class Sight:
    """A reading as the filter takes it.

    :param direction: how the parts of the state enter.
    :param shapes: the first is a good reading, the others are wrong ones.
    """

    direction: tuple[float, ...]
    shapes: tuple[Shape, ...]


def values_of(
    reading: Reading, growth: Growth, metal: Metal, cells: Iterable[Cell]
) -> dict[Cell, Shown]:
    """Return for each cell what the reading shows, and the derivative of that by the reading.

    Raises: RefusedError for a reading that nothing can be learned from.
    """
    charge = positive(reading.charge_coulombs, "charge_coulombs", "C")
    if not isinstance(reading, GaugeReading):
        lost_g = positive(reading.lost_g, "lost_g", "g")
        value = math.log(lost_g / removed_mass_g(charge, metal))
        return dict.fromkeys(cells, (value, 1.0 / lost_g))
    curve = volume_curve(growth)
    ln_charge = math.log(metal.mm3_per_coulomb * charge)
    depths: dict[float | None, float] = {}
    values = {}
    for etch_factor, evenness in cells:
        if evenness not in depths:
            depths[evenness] = reading.mean_depth(evenness)[0]
        depth_mm = depths[evenness]
        ln_volume, slope = curve.at(depth_mm, etch_factor)
        values[etch_factor, evenness] = ln_volume - ln_charge, slope
    return values


def sight_of(
    reading: Reading, growth: Growth, cell: Cell, offsets: Sequence[int], entries: int
) -> Sight:
    """Return how a reading enters the filter.

    :param cell: the likely geometry, in which errors of the reading become errors of logarithms.
    :param offsets: entries of the state that hold its person's and its gauge's offset.
    :param entries: of the state.
    """
    direction = [0.0] * entries
    direction[0] = direction[1] = 1.0
    if not isinstance(reading, GaugeReading):
        noise = (reading.standard_error_g() / positive(reading.lost_g, "lost_g", "g")) ** 2
        good = Shape(1.0 - BLUNDER_SHARE - GROSS_SHARE, 0.0, noise)
        wrong = Shape(BLUNDER_SHARE, 0.0, noise + BLUNDER_LN**2)
        gross = Shape(GROSS_SHARE, 0.0, noise + GROSS_LN**2)
        return Sight(tuple(direction), (good, wrong, gross))
    depth_mm, error_mm = reading.mean_depth(cell[1])
    curve = volume_curve(growth)
    ln_volume, slope = curve.at(depth_mm, cell[0])
    direction[2] = -1.0
    for offset in offsets:
        direction[offset] = slope
    noise = (error_mm * slope) ** 2
    shapes = (
        Shape(1.0 - BLUNDER_SHARE - GROSS_SHARE - 2.0 * DATUM_SHARE, 0.0, noise),
        Shape(BLUNDER_SHARE, 0.0, noise + (BLUNDER_MM * slope) ** 2),
        Shape(GROSS_SHARE, 0.0, noise + GROSS_LN**2),
        *_wrong_datums(reading.film_mm, depth_mm, cell[0], curve, ln_volume, noise),
    )
    return Sight(tuple(direction), shapes)


def _wrong_datums(
    film_mm: float,
    depth_mm: float,
    etch_factor: float,
    curve: VolumeCurve,
    ln_volume: float,
    noise: float,
) -> list[Shape]:
    """Return the shapes of a reading from which the film was not, or twice, subtracted."""
    return [
        Shape(DATUM_SHARE, ln_volume - curve.at(true_mm, etch_factor)[0], noise)
        for true_mm in (depth_mm - film_mm, depth_mm + film_mm)
        if true_mm > 0.1 * depth_mm
    ]
