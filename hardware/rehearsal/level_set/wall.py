"""The etched surface of a tile: a depth field, moved by an upwind scheme.

Lengths are in cells, and time is the depth of a plain floor.

A surface that recedes at the speed c across and c/e along itself obeys d_t = c sqrt(1 + |grad d|^2
/ e^2). Its square u = d^2 obeys u_t = c sqrt(4 u + |grad u|^2 / e^2), and is smooth where d is
upright: at the leading edge under the resist. That is the form solved here. Under the resist
nothing happens before the front arrives, which moves along the resist at c/e (travel.py). Ahead of
the front u continues below zero as c^2 (t^2 - arrival^2), which places the front between two cells.

Where two fronts meet under a line of resist they leave a crest bare on both flanks. Whether the
film then floats off makes no difference, because no metal is left that only the film covers. The
film is assumed not to shade the bath.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hardware.rehearsal.level_set.edges import Floats

Field = npt.NDArray[np.float32]
"""Single precision: rounding stays under 1e-5 of the depth, and it is three times as fast."""

_SUB = (np.arange(3) + 0.5) / 3.0 - 0.5
"""Places across a cell at which the leading edge is summed."""


class Wall:
    """Depth field of one tile.

    :param arrival: when the front reaches each cell; at most 0 in open metal, infinity where it
        never arrives.
    :param speed: local speed over that of a plain floor.
    :ivar time: depth of a plain floor now.
    """

    def __init__(self, arrival: Floats, speed: Floats, etch_factor: float, time: float) -> None:
        self._is_open = arrival <= 0.0
        self._speed = speed.astype(np.float32)
        self._speed2 = self._speed**2
        self._fastest = float(self._speed.max())
        # Cells that the front never reaches count as one cell beyond the last: the surface must
        # continue smoothly below zero.
        last = np.max(arrival, initial=0.0, where=np.isfinite(arrival))
        self._arrival2 = (
            np.where(self._is_open, 0.0, np.minimum(arrival, last + etch_factor)).astype(np.float32)
            ** 2
        )
        self._per_slope2 = etch_factor**-2
        self._bend = -2.0 * etch_factor**2
        height, width = arrival.shape
        self._wide: Field = np.empty((height + 2, width + 2), np.float32)
        self._work: list[Field] = [np.empty(arrival.shape, np.float32) for _ in range(2)]
        self.time = time
        self._square = self._ahead(time)

    def _ahead(self, time: float) -> Field:
        """Return the square ahead of the front and on a plain floor."""
        ahead: Field = np.subtract(time * time, self._arrival2)
        ahead *= self._speed2
        return ahead

    def advance(self, step: float) -> None:
        """Advance by ``step`` with Heun's rule.

        Stable up to a step of etch factor over 1.4 times the highest speed.
        """
        before, later = self._square, self.time + step
        is_ahead = self._arrival2 > self.time**2
        ahead = self._ahead(later)
        rate = self._rate(before)
        guess = before + step * rate
        np.copyto(guess, ahead, where=is_ahead)
        rate += self._rate(guess)
        rate *= 0.5 * step
        rate += before
        np.copyto(rate, ahead, where=is_ahead)
        # An open floor is never shallower than a plain one, because nothing shields it.
        np.maximum(rate, ahead, out=rate, where=self._is_open)
        # No place is deeper than the fastest one. Without this limit, a wall much steeper than the
        # grid would overshoot by some per cent.
        np.minimum(rate, (self._fastest * later) ** 2, out=rate)
        self._square = rate
        self.time = later

    def _padded(self, square: Field) -> tuple[Field, Field, Field, Field]:
        """Return the neighbours above, below, left and right.

        Beyond the tile the nearest cell repeats.
        """
        wide = self._wide
        wide[1:-1, 1:-1] = square
        wide[0], wide[-1], wide[:, 0], wide[:, -1] = wide[1], wide[-2], wide[:, 1], wide[:, -2]
        return wide[:-2, 1:-1], wide[2:, 1:-1], wide[1:-1, :-2], wide[1:-1, 2:]

    def _rate(self, square: Field) -> Field:
        """Return u_t."""
        above, below, left, right = self._padded(square)
        rate = self._upwind2(square, above, below).copy()
        rate += self._upwind2(square, left, right)
        rate *= self._per_slope2
        rate += 4.0 * square
        np.maximum(rate, 0.0, out=rate)
        np.sqrt(rate, out=rate)
        rate *= self._speed
        return rate

    def _upwind2(self, square: Field, before: Field, after: Field) -> Field:
        """Return the squared slope towards the deeper side along one axis, 0 on a floor.

        The difference is central where the surface is smooth. The curvature of a front that has
        spread from an edge is at most 2 e^2 downward. Crests, where it bends upward, take the plain
        one-sided difference.
        """
        slope, bend = self._work
        np.subtract(before, square, out=slope)
        np.subtract(after, square, out=bend)
        deeper = np.maximum(slope, bend)
        bend += slope
        np.clip(bend, self._bend, 0.0, out=bend)
        bend *= 0.5
        np.subtract(deeper, bend, out=slope)
        slope *= deeper > 0.0
        slope *= slope
        return slope

    def depth(self, rim: int) -> Field:
        """Return the mean depth of each cell, without the outermost ``rim`` (1 or more) cells."""
        height, width = self._square.shape

        def moved(down: int, right: int) -> Field:
            return self._square[rim + down : height - rim + down, rim + right : width - rim + right]

        square, above, below, left, right = (
            moved(0, 0),
            moved(-1, 0),
            moved(1, 0),
            moved(0, -1),
            moved(0, 1),
        )
        depth: Field = np.sqrt(np.maximum(square, 0.0))
        swing = np.abs(below - above)
        swing += np.abs(right - left)
        edge = np.nonzero((square < 2.0 * swing) & (square > -swing))
        middle, top, bottom, west, east = (
            part[edge].astype(np.float64) for part in (square, above, below, left, right)
        )
        slope_y, bend_y = (bottom - top) / 2.0, top + bottom - 2.0 * middle
        slope_x, bend_x = (east - west) / 2.0, west + east - 2.0 * middle
        total = np.zeros(len(middle))
        for y in _SUB:
            for x in _SUB:
                there = middle + slope_y * y + slope_x * x + 0.5 * (bend_y * y * y + bend_x * x * x)
                total += np.sqrt(np.maximum(there, 0.0))
        depth[edge] = total / len(_SUB) ** 2
        return depth
