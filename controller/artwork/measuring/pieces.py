"""Cuts a band of the sheet into pieces: large where little is drawn, small where much is drawn.

Each piece costs a thousand calls of numpy and a rim as wide as the reach. So tiles side by side are
joined as long as the memory holds their contour vertices, and a tile with too many vertices is
halved. A tile without an edge within reach stays alone, because it costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from controller.artwork.outline.chain import Bools

_MOST_CROSSINGS = 150_000
"""Crossings of contours and grid lines in a piece. Source: each takes 0.75 kB while it is worked
on, noise included; line art holds up to 40,000 in a band of A4, random noise 350,000 in a tile with
its rim."""

_MOST_WIDTH_PX = 8192
"""Widest piece of several tiles. Positions in it are 32-bit numbers (distance.py), and its arrays
take 2 to 12 MB each."""

_LEAST_SIDE_PX = 128
"""Smallest side of a piece. A smaller piece would be nearly all rim."""


@dataclass(frozen=True)
class Piece:
    """A part of a band, in px from the band's first row and the sheet's first column.

    :param crossings: of contours and grid lines, those in the rim included.
    """

    top: int
    left: int
    bottom: int
    right: int
    crossings: int


def pieces(is_open: Bools, rim_px: int, tile_px: int, unit_px: int) -> Iterator[Piece]:
    """Yield the pieces of a band.

    :param is_open: the band's pixels and ``rim_px`` rows above and below.
    :param tile_px: width of a tile; the sides of all pieces are multiples of ``unit_px`` but at the
        ends of the band.
    """
    cutter = _Cutter(is_open, rim_px, unit_px)
    held: list[Piece] = []
    for left in range(0, is_open.shape[1], tile_px):
        tile = cutter.piece(
            0, left, is_open.shape[0] - 2 * rim_px, min(left + tile_px, is_open.shape[1])
        )
        together = tile.crossings + sum(piece.crossings for piece in held)
        is_blank = not tile.crossings or (held and not held[0].crossings)
        is_wide = held and tile.right - held[0].left > _MOST_WIDTH_PX
        if held and (is_blank or is_wide or together > _MOST_CROSSINGS):
            yield from cutter.cut(_joined(held))
            held = []
        held.append(tile)
    yield from cutter.cut(_joined(held))


def _joined(tiles: list[Piece]) -> Piece:
    first, last = tiles[0], tiles[-1]
    return Piece(
        first.top, first.left, last.bottom, last.right, sum(tile.crossings for tile in tiles)
    )


class _Cutter:
    """Counts crossings, and halves what holds too many."""

    def __init__(self, is_open: Bools, rim_px: int, unit_px: int) -> None:
        self._is_open, self._rim_px, self._unit_px = is_open, rim_px, unit_px

    def piece(self, top: int, left: int, bottom: int, right: int) -> Piece:
        rim = self._rim_px
        seen = self._is_open[top : bottom + 2 * rim, max(left - rim, 0) : right + rim]
        crossings = np.count_nonzero(seen[:, 1:] != seen[:, :-1]) + np.count_nonzero(
            seen[1:] != seen[:-1]
        )
        return Piece(top, left, bottom, right, int(crossings))

    def cut(self, whole: Piece) -> Iterator[Piece]:
        """Yield the piece, or the parts that it must be cut into."""
        height, width = whole.bottom - whole.top, whole.right - whole.left
        half = max(height, width) // 2 // self._unit_px * self._unit_px
        if whole.crossings <= _MOST_CROSSINGS or half < _LEAST_SIDE_PX:
            yield whole
            return
        row, column = (
            (whole.top + half, whole.right)
            if height >= width
            else (whole.bottom, whole.left + half)
        )
        yield from self.cut(self.piece(whole.top, whole.left, row, column))
        row, column = (row, whole.left) if height >= width else (whole.top, column)
        yield from self.cut(self.piece(row, column, whole.bottom, whole.right))
