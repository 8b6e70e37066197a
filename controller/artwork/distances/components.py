"""Finds connected components of a graph given as pairs, and of the open pixels of a sheet."""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Bools, Ints


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


class FieldCount:
    """Counts separate open fields, band by band. Fields that touch at a corner are one field."""

    def __init__(self) -> None:
        self._total = 0
        self._last: Bools | None = None
        self._last_fields: Ints = np.zeros(0, np.intp)

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
        self._last = is_open[-1:].copy()
        self._last_fields = root[:count][row == len(is_open) - 1]

    @property
    def total(self) -> int:
        """Number of fields so far."""
        return self._total


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
