"""Chains of contour vertices, linked by index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]
Cover = npt.NDArray[np.uint16]
"""Coverage of a sheet, 0 resist to ``full`` open."""

_LONGEST_SKIP = 12
"""Vertices that may be left out in a row; a longer run ends the chain."""


@dataclass(frozen=True)
class Chain:
    """Vertices of contours. The open region lies to the right of the direction of travel (y runs down).

    :param x_px, y_px: positions, pixel centres at whole numbers.
    :param nxt: index of the next vertex; the end of an open chain points to itself.
    """

    x_px: Floats
    y_px: Floats
    nxt: Ints

    def hops(self, count: int) -> tuple[list[Ints], list[Ints]]:
        """Return the indices 0..count steps ahead and 0..count steps back; beyond an end, the end itself."""
        own = np.arange(len(self.nxt))
        back_one = own.copy()
        moves = self.nxt != own
        back_one[self.nxt[moves]] = own[moves]
        ahead, back = [own], [own]
        for _ in range(count):
            ahead.append(self.nxt[ahead[-1]])
            back.append(back_one[back[-1]])
        return ahead, back

    def only(self, keep: Bools) -> Chain:
        """Return the chain without the vertices that are not to be kept."""
        nxt = self.nxt
        for _ in range(_LONGEST_SKIP):
            skip = ~keep[nxt]
            if not skip.any():
                break
            nxt = np.where(skip, self.nxt[nxt], nxt)
        index = np.flatnonzero(keep)
        place = np.full(len(keep), -1)
        place[index] = np.arange(len(index))
        new = place[nxt[index]]
        return Chain(self.x_px[index], self.y_px[index], np.where(new < 0, np.arange(len(index)), new))
