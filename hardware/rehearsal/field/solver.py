"""Solves for the true current density over the open metal of a plate in its bath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.errors import BiteclockError
from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.levels import Floats
from hardware.rehearsal.field.multigrid import Multigrid

_GROWTH_Z = 1.35
"""Width of a layer over that of the one nearer to the plate."""

_FIRST_Z = 0.5
"""Width of the layer at the plate over the side of a cell."""

_GROWTH_MARGIN, _WIDEST_MARGIN = 1.3, 6.0
"""The same for the cells around the plate, and their greatest width over a cell's side."""

_SETTLED = 5e-4
"""Change of the current density in a cycle, over the largest one, at which it has settled."""

_MOST_CYCLES = 80


class UnsettledError(BiteclockError, ArithmeticError):
    """The current distribution did not settle."""


@dataclass(frozen=True, slots=True)
class Bath:
    """The bath of the rehearsal: its minus plate covers the whole cross-section.

    :param gap_mm: between plate and minus plate.
    :param margin_mm: free liquid around the artwork up to the walls.
    """

    gap_mm: float = 40.0
    margin_mm: float = 30.0


def true_ratios(open_share: Floats, cell_mm: float, bath: Bath, kinetics: Kinetics) -> Floats:
    """Return the local current density over the mean one, over the open metal; 0 in resist.

    :param open_share: open share of each cell of the plate.
    :param cell_mm: side of a cell.
    Raises: UnsettledError.
    """
    is_open = open_share > 0.0
    if kinetics.evenness == 0.0 or not is_open.any():
        return is_open.astype(np.float64)
    margin = _graded(cell_mm, bath.margin_mm, _GROWTH_MARGIN, _WIDEST_MARGIN * cell_mm)
    sides = [
        np.concatenate([margin[::-1], np.full(count, cell_mm), margin])
        for count in open_share.shape
    ]
    z_mm = _graded(_FIRST_Z * cell_mm, bath.gap_mm, _GROWTH_Z, bath.gap_mm)
    grids = Multigrid(z_mm, *sides)
    share = np.pad(open_share, len(margin))
    current = _settled(grids, share, 0.5 * float(z_mm[0]), kinetics)
    rim = len(margin)
    height, width = open_share.shape
    return current[rim : rim + height, rim : rim + width]


def _settled(grids: Multigrid, share: Floats, half_mm: float, kinetics: Kinetics) -> Floats:
    """Return the settled current densities over their mean.

    Newton: the polarisation is straight around the newest current densities. After each cycle the
    plate's voltage and the potential are scaled so that the mean is 1, since the law counts in
    multiples of it.

    :param half_mm: from the plate to the centres of the lowest cells.
    """
    is_open = share > 0.0
    open_mm2 = share * grids.finest.area
    weight = open_mm2 / open_mm2.sum()
    source = np.zeros(grids.finest.shape)
    current = is_open.astype(np.float64)
    driving = 1.0
    for _ in range(_MOST_CYCLES):
        value, slope = kinetics.polarisation(current)
        start = value - slope * current
        above = float((start * weight).sum())
        resistance = np.where(is_open, slope + share * half_mm, 1.0)
        conductance = open_mm2 / resistance
        grids.set_surface(conductance)
        source[0] = conductance * (driving + above - start)
        grids.cycle(source)
        density = (driving + above - start - grids.finest.potential[0]) / resistance
        density = np.where(is_open, np.maximum(density, 0.0), 0.0)
        mean = float((density * weight).sum())
        if mean <= 0.0:  # a first guess of the potential far too high
            continue
        driving /= mean
        grids.finest.potential[:] /= mean
        before, current = current, density / mean
        if float(np.abs(current - before).max()) < _SETTLED * float(current.max()):
            return current
    raise UnsettledError("hardware.field.unsettled", cycles=_MOST_CYCLES)


def _graded(first_mm: float, total_mm: float, growth: float, widest_mm: float) -> Floats:
    """Return widths that begin near ``first_mm``, grow and add up to ``total_mm``."""
    if total_mm <= 0.0:
        return np.zeros(0)
    widths = [first_mm]
    while sum(widths) < total_mm:
        widths.append(min(widths[-1] * growth, widest_mm))
    return np.array(widths) * (total_mm / sum(widths))
