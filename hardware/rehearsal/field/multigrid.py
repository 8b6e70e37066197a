"""Multigrid over the plate: the potential in the bath for a given surface."""

from __future__ import annotations

import numpy as np

from hardware.rehearsal.field.levels import Floats, Level, between, paired


class Multigrid:
    """The grids, each with half the columns per side of the one before, down to one.

    :param z_mm, y_mm, x_mm: widths of the finest grid's cells, mm.
    """

    def __init__(self, z_mm: Floats, y_mm: Floats, x_mm: Floats) -> None:
        self._levels = [Level(z_mm, y_mm, x_mm)]
        while max(len(y_mm), len(x_mm)) > 1:
            y_mm, x_mm = paired(y_mm, 0), paired(x_mm, 0)
            self._levels.append(Level(z_mm, y_mm, x_mm))
        self._ways = [
            (between(coarse.y_mm, fine.y_mm), between(coarse.x_mm, fine.x_mm))
            for fine, coarse in zip(self._levels, self._levels[1:], strict=False)
        ]

    @property
    def finest(self) -> Level:
        """The finest grid."""
        return self._levels[0]

    def set_surface(self, conductance: Floats) -> None:
        """Set the conductance from the plate into the lowest cells of the finest grid, mm."""
        for level in self._levels:
            level.set_surface(conductance)
            conductance = paired(paired(conductance, 0), 1)

    def cycle(self, source: Floats) -> None:
        """Make one V-cycle on the potential of the finest grid.

        :param source: current into each cell.
        """
        self._cycle(0, source)

    def _cycle(self, depth: int, source: Floats) -> None:
        level = self._levels[depth]
        if depth == len(self._levels) - 1:
            level.relax(source)  # one column: exact
            return
        level.relax(source)
        coarse = self._levels[depth + 1]
        coarse.potential[:] = 0.0
        self._cycle(depth + 1, paired(paired(level.residual(source), 1), 2))
        (row, down), (column, right) = self._ways[depth]
        values = coarse.potential
        next_column = np.minimum(column + 1, values.shape[2] - 1)
        values = values[:, :, column] * (1.0 - right) + values[:, :, next_column] * right
        next_row = np.minimum(row + 1, values.shape[1] - 1)
        level.potential[:] += (
            values[:, row] * (1.0 - down)[:, None] + values[:, next_row] * down[:, None]
        )
        level.relax(source)
