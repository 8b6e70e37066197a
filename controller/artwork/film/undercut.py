"""The undercut expected at each place of the sheet."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.outline.chain import Floats


class Undercut:
    """An undercut that is the same everywhere, or differs with the depth.

    :param target_px: at the target depth, in px of the sheet.
    :param ratios: local depth over target depth on a coarse grid, or None when it is even.
    :param step: px of the sheet that one cell of the coarse grid is wide.
    """

    def __init__(self, target_px: float, ratios: Floats | None = None, step: int = 1) -> None:
        self.target_px = target_px
        self._ratios, self._step = ratios, step

    @property
    def least_px(self) -> float:
        """Least undercut on the sheet."""
        return self.target_px * (1.0 if self._ratios is None else float(self._ratios.min()))

    @property
    def most_px(self) -> float:
        """Largest undercut on the sheet."""
        return self.target_px * (1.0 if self._ratios is None else float(self._ratios.max()))

    def over(self, top: int, left: int, height: int, width: int) -> npt.NDArray[np.float32]:
        """Return the undercut of each pixel of a tile. Beyond the sheet the nearest one counts."""
        if self._ratios is None:
            return np.full((height, width), self.target_px, np.float32)
        table = self._ratios
        row, down = self._between(top + np.arange(height), table.shape[0])
        column, right = self._between(left + np.arange(width), table.shape[1])
        lines = table[row] * (1.0 - down)[:, None] + table[row + 1] * down[:, None]
        mixed = lines[:, column] * (1.0 - right) + lines[:, column + 1] * right
        undercut: npt.NDArray[np.float32] = (self.target_px * mixed).astype(np.float32)
        return undercut

    def _between(self, px: npt.NDArray[np.intp], count: int) -> tuple[npt.NDArray[np.intp], Floats]:
        """Return for each pixel the coarse cell before it, and how far it is on to the next."""
        at = np.clip((px + 0.5) / self._step - 0.5, 0.0, count - 1.0)
        first = np.minimum(np.floor(at).astype(np.intp), max(count - 2, 0))
        return first, at - first
