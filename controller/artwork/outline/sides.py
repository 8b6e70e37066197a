"""Finds the bends of a contour and the straight sides next to them."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from controller.artwork.outline.chain import Bools, Chain, Floats, Ints, length_of


def turn_between(ax: Floats, ay: Floats, bx: Floats, by: Floats) -> Floats:
    """Return the angle from direction a to direction b, rad, positive where the open region is
    convex.
    """
    angle: Floats = np.arctan2(ax * by - ay * bx, ax * bx + ay * by)
    return angle


def turns_more(ax: Floats, ay: Floats, bx: Floats, by: Floats, turn_rad: float) -> Bools:
    """Return where directions a and b differ by more than ``turn_rad``, less than a right angle.

    Faster than to compute the turn.
    """
    result: Bools = np.abs(ax * by - ay * bx) > np.tan(turn_rad) * (ax * bx + ay * by)
    return result


class Bends:
    """The vertices where a chain turns by more than an angle, and those around them.

    Row k of each array lies k hops away from the bend, along the chain or back.

    :ivar at: indices of the bends.
    :ivar ahead, back: indices.
    :ivar x_ahead, y_ahead, x_back, y_back: places, px.
    :ivar walked: length of the chain in px from as many hops before a bend to as many hops behind
        it.
    """

    def __init__(self, chain: Chain, turn_rad: float, over: int, hops: int, most_skip: int) -> None:
        """Find the vertices where the chain turns by more than ``turn_rad`` over ``over`` hops each
        way.

        :param turn_rad: less than a right angle.

        :param hops: rows of the arrays, besides the bends themselves.
        :param most_skip: rows of ``walked``.
        """
        ahead, back = (sides[over] for sides in chain.hops(over))
        into = chain.x_px - chain.x_px[back], chain.y_px - chain.y_px[back]
        out_of = chain.x_px[ahead] - chain.x_px, chain.y_px[ahead] - chain.y_px
        self.at = np.flatnonzero(turns_more(*into, *out_of, turn_rad))
        self.ahead, self.back = (np.stack(side) for side in chain.hops(hops, self.at))
        self.x_ahead, self.y_ahead = chain.x_px[self.ahead], chain.y_px[self.ahead]
        self.x_back, self.y_back = chain.x_px[self.back], chain.y_px[self.back]
        steps = self._steps(self.x_ahead[: most_skip + 1], self.y_ahead[: most_skip + 1])
        steps += self._steps(self.x_back[: most_skip + 1], self.y_back[: most_skip + 1])
        self.walked = np.cumsum(np.insert(steps, 0, 0.0, axis=0), axis=0)

    def thinned(self, keep: Bools) -> Bends:
        """Return the bends to keep. When nearly all are kept, return all, which costs less."""
        if np.count_nonzero(keep) > 0.8 * len(keep):
            return self
        bends, index = copy(self), np.flatnonzero(keep)
        bends.__dict__.update(
            {name: values.take(index, axis=-1) for name, values in vars(self).items()}
        )
        return bends

    @staticmethod
    def _steps(x_px: Floats, y_px: Floats) -> Floats:
        return length_of(np.diff(x_px, axis=0), np.diff(y_px, axis=0))

    def sides(self, skip: int, span: int) -> tuple[Side, Side]:
        """Return the sides before and behind each bend.

        :param skip: hops from the bend to the start of a side.
        :param span: hops along a side.
        """
        row, last = slice(skip, skip + span + 1), skip + span
        return (
            Side.through(
                self.x_back[row], self.y_back[row], self.back[last] != self.back[last - 1]
            ),
            Side.through(
                self.x_ahead[row], self.y_ahead[row], self.ahead[last] != self.ahead[last - 1]
            ),
        )


@dataclass(frozen=True)
class Side:
    """Straight lines through vertices: one column for each line, one row for each vertex.

    The vertex nearest to the bend comes first.

    :param vertex_x, vertex_y: places of the vertices, px.
    :param x, y: directions towards the bend.
    :param usable: where there is a direction and the chain does not end before the last vertex.
    """

    vertex_x: Floats
    vertex_y: Floats
    x: Floats
    y: Floats
    usable: Bools

    @classmethod
    def through(cls, vertex_x: Floats, vertex_y: Floats, is_whole: Bools) -> Side:
        """Return the lines of least squares over the number of the vertex."""
        x, y = _towards_first(vertex_x), _towards_first(vertex_y)
        length = length_of(x, y)
        usable: Bools = (length > 1e-6) & is_whole
        length = np.where(usable, length, 1.0)
        return cls(vertex_x, vertex_y, x / length, y / length, usable)

    def only(self, keep: Ints) -> Side:
        """Return the lines to keep."""
        vertices = (
            self.vertex_x.take(keep, axis=1),
            self.vertex_y.take(keep, axis=1),
        )  # stays in rows, as indexing does not
        return Side(*vertices, self.x[keep], self.y[keep], self.usable[keep])

    @cached_property
    def mid(self) -> tuple[Floats, Floats]:
        """Centres, x and y."""
        return self.vertex_x.sum(0) / len(self.vertex_x), self.vertex_y.sum(0) / len(self.vertex_y)

    def bow(self) -> tuple[Floats, Floats]:
        """Return how far in px the vertices sag, and how far they stray from that, root mean
        square.
        """
        mid_x, mid_y = self.mid
        off = (self.vertex_x - mid_x) * self.y - (self.vertex_y - mid_y) * self.x
        span = len(off) - 1
        weight = np.arange(span + 1)[:, None] - span / 2.0
        bow = weight**2 - (weight**2).mean()
        power = (bow * weight**2).sum()
        curvature = (bow * off).sum(0) / power if power > 0 else np.zeros(off.shape[1])
        return curvature * (span / 2.0) ** 2, np.sqrt(((off - curvature * bow) ** 2).mean(0))


def _towards_first(places: Floats) -> Floats:
    """Return the falling slope of places over the number of their row, times a constant."""
    span = len(places) - 1
    rows = (span + 1) // 2
    weight = span / 2.0 - np.arange(rows)[:, None]
    slope: Floats = (weight * (places[:rows] - places[: span - rows : -1])).sum(0)
    return slope


class CornerRoom:
    """The number of hops from each vertex to the nearest corner.

    :param most: larger numbers are not distinguished.
    """

    def __init__(self, chain: Chain, most: int) -> None:
        self._chain, self._most = chain, most
        self._hops: npt.NDArray[np.int8] = np.full(len(chain.nxt), most + 1, np.int8)

    def add(self, corners: Ints) -> None:
        """Add corners."""
        for hops, where in enumerate(zip(*self._chain.hops(self._most, corners), strict=True)):
            for index in where:
                self._hops[index] = np.minimum(self._hops[index], hops)

    def beyond(self, hops: int, at: Ints) -> Bools:
        """Return which vertices have no corner within ``hops``."""
        result: Bools = self._hops[at] > hops
        return result
