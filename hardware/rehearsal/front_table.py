"""An etch front that follows a table: depth, deepest place and removed volume, row by row."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import asin, isfinite, sqrt

from controller.errors import RefusedError
from controller.units import not_negative, positive


@dataclass(frozen=True, slots=True)
class FrontRow:
    """The etched surface at one moment.

    :param depth_mm: mean depth over the area that was open at the start.
    :param volume_mm3: volume removed so far, undercut included.
    :param deepest_mm: depth of the deepest place.
    """

    depth_mm: float
    volume_mm3: float
    deepest_mm: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the artwork whose true depth is wanted, or all places of one kind.

    :param name: what it is, as the plan calls it.
    :param x_mm, y_mm: from the artwork's top left corner.
    """

    name: str
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True)
class FrontTable:
    """A whole etching in rows. All three figures rise from 0.

    :param spots: true depth of each spot over the mean depth.

    Raises: RefusedError for rows that do not rise.
    """

    rows: tuple[FrontRow, ...]
    spots: tuple[tuple[Spot, float], ...] = ()

    def __post_init__(self) -> None:
        if len(self.rows) < 2 or self.rows[0] != FrontRow(0.0, 0.0, 0.0):
            raise RefusedError("hardware.front.few_rows", field="rows")
        for row, (before, after) in enumerate(pairwise(self.rows), start=2):
            values = (after.depth_mm, after.volume_mm3, after.deepest_mm)
            rises = after.depth_mm > before.depth_mm and after.volume_mm3 > before.volume_mm3
            if not (all(map(isfinite, values)) and rises and after.deepest_mm >= before.deepest_mm):
                raise RefusedError(
                    "hardware.front.falling_rows",
                    field="rows",
                    row=row,
                    depth_mm=after.depth_mm,
                    volume_mm3=after.volume_mm3,
                    deepest_mm=after.deepest_mm,
                )

    def plate(self, copies: int, other_bare_mm2: float) -> FrontTable:
        """Return the table for copies and for bare metal beside them, which etches at the mean
        depth.
        """
        positive(copies, "copies", "")
        not_negative(other_bare_mm2, "other_bare_mm2", "mm2")
        rows = tuple(
            FrontRow(
                row.depth_mm,
                copies * row.volume_mm3 + other_bare_mm2 * row.depth_mm,
                row.deepest_mm,
            )
            for row in self.rows
        )
        return FrontTable(rows, self.spots)


def growth_table(
    growth_mm2: Sequence[tuple[float, float]],
    etch_factor: float,
    deepest_mm: float,
    steps: int = 200,
) -> FrontTable:
    """Return the front of an opening from its growth curve, for use without the artwork's file.

    Between two distances of the curve the edge has a constant length, and the quarter ellipse over
    it is integrated in closed form.

    :param growth_mm2: pairs of distance into the resist, mm, from 0, and open area, mm2.
    :param deepest_mm: depth of the last row.
    """
    positive(etch_factor, "etch_factor", "")
    positive(deepest_mm, "deepest_mm", "mm")
    rings = [(s0, s1, (a1 - a0) / (s1 - s0)) for (s0, a0), (s1, a1) in pairwise(growth_mm2)]
    rows = [FrontRow(0.0, 0.0, 0.0)]
    for step in range(1, steps + 1):
        depth_mm = deepest_mm * step / steps
        undercut_mm = depth_mm / etch_factor
        under_mm2 = sum(
            edge_mm * (_quarter(s1 / undercut_mm) - _quarter(s0 / undercut_mm))
            for s0, s1, edge_mm in rings
        )
        rows.append(
            FrontRow(
                depth_mm, growth_mm2[0][1] * depth_mm + depth_mm * undercut_mm * under_mm2, depth_mm
            )
        )
    return FrontTable(tuple(rows))


def _quarter(u: float) -> float:
    """Return the area under the unit quarter circle from 0 to u, or all of it beyond 1."""
    u = min(u, 1.0)
    return 0.5 * (asin(u) + u * sqrt(1.0 - u * u))


class TabulatedFront:
    """A front that follows a table by the removed volume.

    Beyond the table it continues as in the last step.
    """

    def __init__(self, table: FrontTable) -> None:
        self._rows = table.rows
        self._volumes_mm3 = [row.volume_mm3 for row in table.rows]
        areas_mm2 = [
            (b.volume_mm3 - a.volume_mm3) / (b.depth_mm - a.depth_mm)
            for a, b in pairwise(table.rows)
        ]
        self._areas_mm2 = [
            areas_mm2[0],
            *(0.5 * (a + b) for a, b in pairwise(areas_mm2)),
            areas_mm2[-1],
        ]
        self._volume_mm3 = 0.0

    @property
    def depth_mm(self) -> float:
        """Mean depth over the area that was open at the start, mm."""
        before, after, share, _ = self._place()
        return before.depth_mm + share * (after.depth_mm - before.depth_mm)

    @property
    def deepest_mm(self) -> float:
        """Depth of the deepest place, mm."""
        before, after, share, _ = self._place()
        return before.deepest_mm + share * (after.deepest_mm - before.deepest_mm)

    @property
    def exposed_area_mm2(self) -> float:
        """Surface that recedes with the floor, mm2: removed volume per mean depth."""
        _, _, share, index = self._place()
        here_mm2, next_mm2 = self._areas_mm2[index - 1], self._areas_mm2[index]
        return here_mm2 + min(share, 1.0) * (next_mm2 - here_mm2)

    def remove(self, volume_mm3: float) -> None:
        """Remove ``volume_mm3`` (>= 0) from the surface."""
        self._volume_mm3 += volume_mm3

    def _place(self) -> tuple[FrontRow, FrontRow, float, int]:
        """Return the rows around the present volume, its share of the way, and the later row's
        index.

        The share is over 1 beyond the last row.
        """
        index = min(max(bisect_right(self._volumes_mm3, self._volume_mm3), 1), len(self._rows) - 1)
        before, after = self._rows[index - 1], self._rows[index]
        return (
            before,
            after,
            (self._volume_mm3 - before.volume_mm3) / (after.volume_mm3 - before.volume_mm3),
            index,
        )
