"""Collects narrow lines over the whole sheet: the narrowest of each kind, and the lost resist
lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork import limits
from controller.artwork.distances.components import component_roots
from controller.artwork.distances.gaps import Gaps
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.outline.chain import Bools, Floats, Ints
from controller.artwork.result import LinePlace

_CELL_PX = 1.5
"""Samples in the same or in touching cells of this size belong to one line. They are at most 1.41
px apart."""

_LEAST_SAMPLES = 2

_SEAM_PX = 2.0 * _CELL_PX
"""A piece with a sample this close to the border of its tile may continue in the next one."""


@dataclass(frozen=True)
class _Pieces:
    """Lines, or pieces of lines within one tile: for each its narrowest place, length and number of
    samples.
    """

    x_px: Floats
    y_px: Floats
    width_px: Floats
    length_px: Floats
    samples: Ints

    def only(self, keep: Bools | Ints) -> _Pieces:
        return _Pieces(*(values[keep] for values in vars(self).values()))

    def narrowest(self) -> _Pieces:
        """Return the narrowest, as many as are listed."""
        return self.only(np.argsort(self.width_px, kind="stable")[: limits.MAX_LISTED_LINES])

    @staticmethod
    def joined(parts: list[_Pieces]) -> _Pieces:
        return _Pieces(
            *(
                np.concatenate(values)
                for values in zip(*(vars(part).values() for part in parts), strict=True)
            )
        )


class LineBook:
    """Collects lines, tile by tile. Of lines that end within their tile, only the narrowest and the
    count are kept.

    :param undercut_px: half the width below which a resist line is lost, or None.
    """

    def __init__(self, undercut_px: float | None) -> None:
        self._undercut_px = undercut_px
        self._narrowest: dict[bool, Gaps] = {}
        self._count = 0
        self._whole: list[_Pieces] = []
        self._open: list[_Pieces] = []
        self._open_count = 0
        self._seam_cells: list[Ints] = []
        self._seam_pieces: list[Ints] = []

    def add(self, gaps: Gaps, top: int, left: int, bottom: int, right: int) -> Gaps | None:
        """Add the samples of one tile, in px of the canvas.

        Return the samples of lost resist, lines or not, for the preview.
        """
        is_line = gaps.is_line
        for resist in (True, False):
            found = np.flatnonzero(is_line & (gaps.resist == resist))
            if not len(found):
                continue
            best = gaps.only(found[[gaps.width_px[found].argmin()]])
            if (
                resist not in self._narrowest
                or best.width_px[0] < self._narrowest[resist].width_px[0]
            ):
                self._narrowest[resist] = best
        if self._undercut_px is None:
            return None
        lost = gaps.resist & gaps.is_strip & (gaps.width_px < 2.0 * self._undercut_px)
        lines = gaps.only(lost & is_line)
        if len(lines.x_px):
            self._add_lost(lines, top, left, bottom, right)
        return gaps.only(lost)

    def _add_lost(self, lines: Gaps, top: int, left: int, bottom: int, right: int) -> None:
        cells, cell = np.unique(cell_of(lines), return_inverse=True)
        roots = component_roots(len(cells), *neighbours(cells, cells))
        _, line = np.unique(roots[cell], return_inverse=True)
        pieces = _summed(
            _Pieces(
                lines.x_px, lines.y_px, lines.width_px, lines.length_px, np.ones(len(line), np.intp)
            ),
            line,
        )
        # A tile counts the pixels whose centres lie from its first to its last row and column.
        low_x, high_x = left - 0.5 + _SEAM_PX, right - 0.5 - _SEAM_PX
        low_y, high_y = top - 0.5 + _SEAM_PX, bottom - 0.5 - _SEAM_PX
        at_seam = (
            (lines.x_px < low_x)
            | (lines.x_px > high_x)
            | (lines.y_px < low_y)
            | (lines.y_px > high_y)
        )
        is_open = np.zeros(len(pieces.x_px), np.bool_)
        is_open[line[at_seam]] = True
        self._keep_whole(pieces.only(~is_open))
        place = np.cumsum(is_open) - 1 + self._open_count
        self._open.append(pieces.only(is_open))
        self._open_count += int(np.count_nonzero(is_open))
        self._seam_cells.append(cells[cell[at_seam]])
        self._seam_pieces.append(place[line[at_seam]])

    def _keep_whole(self, pieces: _Pieces) -> None:
        pieces = pieces.only(pieces.samples >= _LEAST_SAMPLES)
        self._count += len(pieces.x_px)
        self._whole = [_Pieces.joined([*self._whole, pieces]).narrowest()]

    def narrowest(self, sheet: Sheet, *, resist: bool) -> LinePlace | None:
        """Return the narrowest line of a kind, or None when none was found."""
        best = self._narrowest.get(resist)
        if best is None:
            return None
        return _place(
            float(best.x_px[0]), float(best.y_px[0]), float(best.width_px[0]), sheet, None
        )

    def lost_lines(self, sheet: Sheet) -> tuple[tuple[LinePlace, ...], int]:
        """Return the lost lines that are listed, narrowest first, and the count of all."""
        if self._open_count:
            cells, pieces = np.concatenate(self._seam_cells), np.concatenate(self._seam_pieces)
            order = np.argsort(cells, kind="stable")
            cells, pieces = cells[order], pieces[order]
            a, b = neighbours(cells, cells)
            same = np.flatnonzero(cells[1:] == cells[:-1])
            a, b = (
                np.concatenate([pieces[a], pieces[same]]),
                np.concatenate([pieces[b], pieces[same + 1]]),
            )
            _, line = np.unique(component_roots(self._open_count, a, b), return_inverse=True)
            self._keep_whole(_summed(_Pieces.joined(self._open), line))
            self._open, self._open_count, self._seam_cells, self._seam_pieces = [], 0, [], []
        if not self._whole:
            return (), 0
        listed = self._whole[0]
        places = tuple(
            _place(x, y, width, sheet, length * sheet.px_mm)
            for x, y, width, length in zip(
                listed.x_px.tolist(),
                listed.y_px.tolist(),
                listed.width_px.tolist(),
                listed.length_px.tolist(),
                strict=True,
            )
        )
        return places, self._count


def _place(
    x_px: float, y_px: float, width_px: float, sheet: Sheet, length_mm: float | None
) -> LinePlace:
    x0_mm, y0_mm = sheet.origin_mm
    return LinePlace(
        x_mm=x0_mm + (x_px + 0.5) * sheet.px_mm,
        y_mm=y0_mm + (y_px + 0.5) * sheet.px_mm,
        width_mm=width_px * sheet.px_mm,
        length_mm=length_mm,
    )


_ROW = 1 << 32
"""Cells are numbered row * _ROW + column."""


def cell_of(gaps: Gaps) -> Ints:
    """Return the cell of each sample, as one number."""
    col = np.floor(gaps.x_px / _CELL_PX).astype(np.int64) + 2
    row = np.floor(gaps.y_px / _CELL_PX).astype(np.int64) + 2
    return row * _ROW + col


def neighbours(cells: Ints, others: Ints) -> tuple[Ints, Ints]:
    """Return pairs of indices of cells in two sorted lists that touch at a side or a corner."""
    pairs_a, pairs_b = [], []
    for offset in (1, _ROW - 1, _ROW, _ROW + 1):
        place = np.minimum(np.searchsorted(others, cells + offset), max(len(others) - 1, 0))
        found = np.flatnonzero(others[place] == cells + offset)
        pairs_a.append(found)
        pairs_b.append(place[found])
    return np.concatenate(pairs_a), np.concatenate(pairs_b)


def _summed(pieces: _Pieces, line: Ints) -> _Pieces:
    """Return one entry per line: the place of its narrowest piece, and the sums of lengths and
    samples.
    """
    order = np.lexsort((pieces.width_px, line))
    first = np.flatnonzero(np.diff(line[order], prepend=-1))
    if not len(first):
        return pieces
    best = pieces.only(order[first])
    length = np.add.reduceat(pieces.length_px[order], first)
    return _Pieces(
        best.x_px, best.y_px, best.width_px, length, np.add.reduceat(pieces.samples[order], first)
    )
