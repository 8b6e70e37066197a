"""One grid of the bath: its conductances, and relaxation along the lines across the gap.

Finite volumes with unknowns at the cells' centres, in [z, y, x]. z = 0 is the plate. The minus
plate, at potential 0, covers the other side. The bath's walls carry no current. The lines across
the gap are solved exactly, so the fine layers at the plate cost no convergence; coarser grids are
coarser along the plate alone.

Source: semi-coarsening with line relaxation, Trottenberg, Oosterlee, Schueller, "Multigrid", 2001,
section 5.1, from memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_COLOURS = (((0, 0), (1, 1)), ((0, 1), (1, 0)))
"""Columns of a chequerboard: the offsets of each colour."""


class Level:
    """A grid with the given widths of its cells, mm.

    :ivar potential: in mm: potential times conductivity over a current density.
    """

    def __init__(self, z_mm: Floats, y_mm: Floats, x_mm: Floats) -> None:
        self.z_mm, self.y_mm, self.x_mm = z_mm, y_mm, x_mm
        self.shape = len(z_mm), len(y_mm), len(x_mm)
        self.area = np.outer(y_mm, x_mm)
        # Per unit of height, from each column to the next; none through the walls.
        self._to_x = np.zeros((len(y_mm), len(x_mm) + 1))
        self._to_x[:, 1:-1] = y_mm[:, None] / (0.5 * (x_mm[1:] + x_mm[:-1]))
        self._to_y = np.zeros((len(y_mm) + 1, len(x_mm)))
        self._to_y[1:-1] = x_mm / (0.5 * (y_mm[1:] + y_mm[:-1]))[:, None]
        self._to_z = np.append(1.0 / (0.5 * (z_mm[1:] + z_mm[:-1])), 2.0 / z_mm[-1])
        self._beside = self._to_x[:, 1:] + self._to_x[:, :-1] + self._to_y[1:] + self._to_y[:-1]
        self._wide = np.zeros((len(z_mm), len(y_mm) + 2, len(x_mm) + 2))
        self.potential = self._wide[:, 1:-1, 1:-1]

    def set_surface(self, conductance: Floats) -> None:
        """Set the conductance from the plate into the lowest cell of each column, mm."""
        area, to_z = self.area, self._to_z
        diagonal = self.z_mm[:, None, None] * self._beside
        diagonal += (to_z + np.append(0.0, to_z[:-1]))[:, None, None] * area
        diagonal[0] += conductance
        self._diagonal = diagonal
        self._pivot = np.empty(self.shape)
        self._pivot[0] = 1.0 / diagonal[0]
        for k in range(1, len(to_z)):
            link = to_z[k - 1] * area
            self._pivot[k] = 1.0 / (diagonal[k] - link * link * self._pivot[k - 1])

    def relax(self, source: Floats) -> None:
        """Solve every second column with its neighbours held, then the others.

        :param source: current into each cell.
        """
        wide, to_x, to_y = self._wide, self._to_x, self._to_y
        for colour in _COLOURS:
            for top, left in colour:
                here = np.s_[top::2, left::2]
                rows, columns = self._wide[0, 1:-1, 1:-1][here].shape
                if not rows or not columns:
                    continue
                south = np.s_[top + 1 : top + 1 + 2 * rows : 2]
                east = np.s_[left + 1 : left + 1 + 2 * columns : 2]
                inflow = to_x[:, :-1][here] * wide[:, south, left : left + 2 * columns : 2]
                inflow += to_x[:, 1:][here] * wide[:, south, left + 2 : left + 2 + 2 * columns : 2]
                inflow += to_y[:-1][here] * wide[:, top : top + 2 * rows : 2, east]
                inflow += to_y[1:][here] * wide[:, top + 2 : top + 2 + 2 * rows : 2, east]
                inflow *= self.z_mm[:, None, None]
                inflow += source[:, top::2, left::2]
                self._solve_columns(inflow, here)
                wide[:, south, east] = inflow

    def _solve_columns(self, values: Floats, here: tuple[slice, slice]) -> None:
        """Replace the inflows of columns by their potentials: elimination along z."""
        area = self.area[here]
        pivot = self._pivot[(slice(None), *here)]
        for k in range(1, len(values)):
            values[k] += self._to_z[k - 1] * area * pivot[k - 1] * values[k - 1]
        values[-1] *= pivot[-1]
        for k in range(len(values) - 2, -1, -1):
            values[k] += self._to_z[k] * area * values[k + 1]
            values[k] *= pivot[k]

    def residual(self, source: Floats) -> Floats:
        """Return the current that each cell lacks."""
        wide, potential = self._wide, self.potential
        inflow = self._to_x[:, :-1] * wide[:, 1:-1, :-2]
        inflow += self._to_x[:, 1:] * wide[:, 1:-1, 2:]
        inflow += self._to_y[:-1] * wide[:, :-2, 1:-1]
        inflow += self._to_y[1:] * wide[:, 2:, 1:-1]
        inflow *= self.z_mm[:, None, None]
        link = self._to_z[:-1, None, None] * self.area
        inflow[:-1] += link * potential[1:]
        inflow[1:] += link * potential[:-1]
        inflow += source
        inflow -= self._diagonal * potential
        return inflow


def paired(values: npt.NDArray[np.float64], axis: int) -> Floats:
    """Return the sums of neighbouring pairs along an axis; an odd last one stays alone."""
    sums: Floats = np.add.reduceat(values, np.arange(0, values.shape[axis], 2), axis)
    return sums


def between(coarse_mm: Floats, fine_mm: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    """Return, for each fine cell, the coarse cell before its centre and the share of the next.

    Beyond the outermost centres the outermost cell counts alone.
    """
    coarse, fine = (np.cumsum(widths) - 0.5 * widths for widths in (coarse_mm, fine_mm))
    before = np.clip(np.searchsorted(coarse, fine) - 1, 0, max(len(coarse) - 2, 0))
    if len(coarse) == 1:
        return before, np.zeros(len(fine))
    return before, np.clip(
        (fine - coarse[before]) / (coarse[before + 1] - coarse[before]), 0.0, 1.0
    )
