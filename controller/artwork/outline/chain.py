"""Chains of contour vertices, linked by index."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]
Cover = npt.NDArray[np.unsignedinteger[Any]]
"""Coverage of a sheet, 0 resist to ``full`` open, 8 or 16 bits."""

_LONGEST_SKIP = 12
"""Most vertices that may be left out in a row. A longer run ends the chain."""


def is_open(cover: Cover, full: int) -> Bools:
    """Return which pixels are open by half or more.

    Whole numbers are compared, because numpy would turn both into floats otherwise.
    """
    result: Bools = cover >= (full + 1) // 2
    return result


def length_of(x: Floats, y: Floats) -> Floats:
    """Return the lengths of vectors.

    Ten times faster than np.hypot, which guards against numbers that do not occur here.
    """
    length: Floats = np.sqrt(x * x + y * y)
    return length


@dataclass(frozen=True)
class Chain:
    """Vertices of contours. The open region lies to the right of the direction of travel (y runs
    down).

    :param x_px, y_px: positions, pixel centres at whole numbers.
    :param nxt: index of the next vertex; the end of an open chain points to itself.
    """

    x_px: Floats
    y_px: Floats
    nxt: Ints

    @cached_property
    def back(self) -> Ints:
        """Index of the vertex before each one; the start of an open chain points to itself."""
        own = np.arange(len(self.nxt))
        back = own.copy()
        back[self.nxt] = own
        ends = np.flatnonzero(self.nxt == own)
        if len(ends):  # an end may have overwritten the vertex before it
            is_end = np.zeros(len(own), np.bool_)
            is_end[ends] = True
            before = np.flatnonzero(is_end[self.nxt] & ~is_end)
            back[self.nxt[before]] = before
        return back

    def hops(self, count: int, start: Ints | None = None) -> tuple[list[Ints], list[Ints]]:
        """Return the indices 0..count steps ahead and 0..count steps back. An end repeats itself.

        :param start: where to start, every vertex when None.
        """
        own = np.arange(len(self.nxt)) if start is None else start
        ahead, back = [own], [own]
        for step in range(count):
            is_first = step == 0 and start is None
            ahead.append(self.nxt if is_first else self.nxt[ahead[-1]])
            back.append(self.back if is_first else self.back[back[-1]])
        return ahead, back

    def only(self, keep: Bools) -> Chain:
        """Return the chain of the kept vertices."""
        nxt = self.nxt.copy()
        over = np.flatnonzero(~keep[nxt])
        for _ in range(_LONGEST_SKIP):
            if not len(over):
                break
            nxt[over] = self.nxt[nxt[over]]
            over = over[~keep[nxt[over]]]
        index = np.flatnonzero(keep)
        own = np.arange(len(index))
        place = np.full(len(keep), -1)
        place[index] = own
        new = place[nxt[index]]
        return Chain(self.x_px[index], self.y_px[index], np.where(new < 0, own, new))
