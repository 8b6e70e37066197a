"""Collects samples of lines over the whole sheet and joins them to lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork import limits
from controller.artwork.distances.components import component_roots
from controller.artwork.distances.gaps import Gaps
from controller.artwork.measuring.lines import cell_of, neighbours
from controller.artwork.outline.chain import Bools, Floats, Ints
from controller.errors import RefusedError

MOST_SAMPLES = 2_000_000
"""Most samples of one kind: 0.1 kB each while they are joined to lines."""


LEAST_LEFT = 0.5
"""A resist line counts as saved when at least this share of its width is left everywhere. A
thinner rest moves, breaks or washes off (common practice, no source)."""


@dataclass(frozen=True)
class Line:
    """A joined line at its worst place, px.

    :param left_px: width after etching; of the sample with the least.
    :param bad_px: length of the part with less than ``LEAST_LEFT`` of its width left.
    """

    x_px: float
    y_px: float
    width_px: float
    left_px: float
    length_px: float
    bad_px: float


class LineSamples:
    """Samples of one kind of line, from all tiles.

    :param least_samples: fewer do not make a line.
    """

    def __init__(self, least_samples: int) -> None:
        self._least_samples = least_samples
        self._parts: list[tuple[Gaps, Floats]] = []
        self._count = 0

    def add(self, gaps: Gaps, left_px: Floats) -> None:
        """Add samples in px of the canvas. Raises: RefusedError when they are far too many."""
        self._count += len(left_px)
        if self._count > MOST_SAMPLES:
            raise RefusedError(
                "artwork.film.too_fine", field="file", count=self._count, limit_count=MOST_SAMPLES
            )
        if len(left_px):
            self._parts.append((gaps, left_px))

    def lines(self) -> _Joined:
        """Return the lines."""
        if not self._parts:
            nothing = np.zeros(0)
            return _Joined(nothing, nothing, nothing, nothing, nothing, nothing)
        gaps = Gaps.joined([part for part, _ in self._parts])
        left = np.concatenate([left for _, left in self._parts])
        cells, cell = np.unique(cell_of(gaps), return_inverse=True)
        line: Ints = np.unique(
            component_roots(len(cells), *neighbours(cells, cells))[cell], return_inverse=True
        )[1]
        is_bad = left < LEAST_LEFT * gaps.width_px
        order = np.lexsort((left, line))
        first = np.flatnonzero(np.diff(line[order], prepend=-1))
        worst = order[first]
        length = np.add.reduceat(gaps.length_px[order], first)
        bad = np.add.reduceat(np.where(is_bad, gaps.length_px, 0.0)[order], first)
        samples = np.diff(np.append(first, len(order)))
        joined = _Joined(
            gaps.x_px[worst], gaps.y_px[worst], gaps.width_px[worst], left[worst], length, bad
        )
        return joined.only(samples >= self._least_samples)


@dataclass(frozen=True)
class _Joined:
    """Lines as columns; see ``Line``."""

    x_px: Floats
    y_px: Floats
    width_px: Floats
    left_px: Floats
    length_px: Floats
    bad_px: Floats

    def __len__(self) -> int:
        return len(self.x_px)

    def only(self, keep: Bools | Ints) -> _Joined:
        """Return the lines to keep."""
        return _Joined(*(values[keep] for values in vars(self).values()))

    @property
    def lost(self) -> _Joined:
        """The lines with too little left at some place."""
        return self.only(self.bad_px > 0.0)

    def listed(self) -> tuple[Line, ...]:
        """Return the first lines in order of what is left, as many as are listed."""
        order = np.argsort(self.left_px, kind="stable")[: limits.MAX_LISTED_LINES]
        rows = zip(*(values[order].tolist() for values in vars(self).values()), strict=True)
        return tuple(Line(*row) for row in rows)
