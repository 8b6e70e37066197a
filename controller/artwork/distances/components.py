"""Finds connected components of a graph given as pairs, and of the open pixels of a sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork.outline.chain import Bools, Floats, Ints


def component_roots(count: int, a: Ints, b: Ints) -> Ints:
    """Return for each of ``count`` nodes the lowest node that the pairs (a, b) connect it to."""
    root = np.arange(count)
    while len(a):
        low, high = np.minimum(a, b), np.maximum(a, b)
        np.minimum.at(root, high, low)
        while True:
            higher = root[root]
            if np.array_equal(higher, root):
                break
            root = higher
        a, b = root[a], root[b]
        open_pairs = a != b
        a, b = a[open_pairs], b[open_pairs]
    return root


@dataclass(frozen=True)
class Specks:
    """Fields smaller than a limit.

    :param area_px2: of each.
    :param x_px, y_px: column and row of the first pixel of each.
    """

    area_px2: Floats
    x_px: Ints
    y_px: Ints


class FieldCount:
    """Counts separate open fields, band by band. Fields that touch at a corner are one field.

    :param speck_px2: fields up to this area are specks.
    """

    def __init__(self, speck_px2: float = 0.0) -> None:
        self._speck_px2 = speck_px2
        self._total = 0
        self._rows = 0
        self._last: Bools | None = None
        self._last_fields: Ints = np.zeros(0, np.intp)
        self._reaching = _Sizes.none()
        self._specks: list[_Sizes] = []

    def add(self, is_open: Bools) -> None:
        """Add the next rows, an array of shape (rows, width) with the same width each time."""
        start, stop, row = _runs(is_open)
        count = len(start)
        a, b = _touching(start, stop, row, start, stop, row + 1)
        if self._last is None:
            seam_a = seam_b = np.zeros(0, np.intp)
            carried: Ints = np.zeros(0, np.intp)
        else:
            last_start, last_stop, _ = _runs(self._last)
            zeros = np.zeros(len(last_start), np.intp)
            seam_b, seam_a = _touching(
                last_start, last_stop, zeros, *(values[row == 0] for values in (start, stop, row))
            )
            carried = self._last_fields
        # Nodes: the runs of this band, then the fields that reach the last row of the previous
        # band.
        known, name = np.unique(carried, return_inverse=True)
        root = component_roots(
            count + len(known),
            np.concatenate([a, seam_a]),
            np.concatenate([b, count + name[seam_b]]),
        )
        self._total += int(np.count_nonzero(root == np.arange(len(root)))) - len(known)
        sizes = _Sizes(stop - start, start, row + self._rows).joined(self._reaching).by(root)
        self._rows += len(is_open)
        self._last = is_open[-1:].copy()
        self._last_fields = root[:count][row == len(is_open) - 1]
        reaching = np.unique(self._last_fields)
        self._reaching = sizes.at(reaching)
        self._keep(sizes, np.setdiff1d(root, reaching))

    def _keep(self, sizes: _Sizes, ended: Ints) -> None:
        """Keep those of the fields ``ended`` that are specks."""
        small = ended[sizes.area_px2[ended] <= self._speck_px2]
        if len(small):
            self._specks.append(sizes.at(small))

    @property
    def specks(self) -> Specks:
        """The specks so far, those that reach the last row included."""
        last = self._reaching
        parts = [*self._specks, last.at(np.flatnonzero(last.area_px2 <= self._speck_px2))]
        area_px2, x_px, y_px = (
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("area_px2", "x_px", "y_px")
        )
        return Specks(area_px2.astype(np.float64), x_px, y_px)

    @property
    def total(self) -> int:
        """Number of fields so far."""
        return self._total


@dataclass(frozen=True)
class _Sizes:
    """Area of fields or of their parts, and the first column and row of each."""

    area_px2: Ints
    x_px: Ints
    y_px: Ints

    @classmethod
    def none(cls) -> _Sizes:
        return cls(*(np.zeros(0, np.intp) for _ in range(3)))

    def joined(self, more: _Sizes) -> _Sizes:
        return _Sizes(
            np.concatenate([self.area_px2, more.area_px2]),
            np.concatenate([self.x_px, more.x_px]),
            np.concatenate([self.y_px, more.y_px]),
        )

    def by(self, root: Ints) -> _Sizes:
        """Return the sums and minima by field, at the index of the field's root."""
        area_px2, x_px, y_px = np.zeros_like(self.area_px2), self.x_px.copy(), self.y_px.copy()
        np.add.at(area_px2, root, self.area_px2)
        np.minimum.at(x_px, root, self.x_px)
        np.minimum.at(y_px, root, self.y_px)
        return _Sizes(area_px2, x_px, y_px)

    def at(self, index: Ints) -> _Sizes:
        return _Sizes(self.area_px2[index], self.x_px[index], self.y_px[index])


def _runs(is_open: Bools) -> tuple[Ints, Ints, Ints]:
    """Return start, stop (excluded) and row of each run of open pixels along the rows, in reading
    order.
    """
    height, width = is_open.shape
    changes = np.empty((height, width + 1), np.bool_)
    changes[:, 0], changes[:, -1] = is_open[:, 0], is_open[:, -1]
    np.not_equal(is_open[:, 1:], is_open[:, :-1], out=changes[:, 1:-1])
    edges = np.flatnonzero(changes)
    start, stop = edges[0::2], edges[1::2]
    row = start // (width + 1)
    return start - row * (width + 1), stop - row * (width + 1), row


def _touching(
    start_a: Ints, stop_a: Ints, row_a: Ints, start_b: Ints, stop_b: Ints, row_b: Ints
) -> tuple[Ints, Ints]:
    """Return pairs (index in a, index in b) of runs in equal rows that overlap or touch at a
    corner.

    Both lists are in reading order; a run touches a contiguous stretch of the other list.
    """
    wide = 1 + int(max(stop_a.max(initial=0), stop_b.max(initial=0)))
    first = np.searchsorted(row_b * wide + stop_b, row_a * wide + start_a, side="left")
    beyond = np.searchsorted(row_b * wide + start_b, row_a * wide + stop_a, side="right")
    count = np.maximum(beyond - first, 0)
    a = np.repeat(np.arange(len(start_a)), count)
    b = first[a] + np.arange(len(a)) - np.repeat(np.cumsum(count) - count, count)
    return a, b
