"""One tile of the sheet: its cells, edges and local speeds, and the removed volume at each time.

Lengths are in cells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from hardware.rehearsal.level_set.edges import Bools, Floats, edge_distance, open_share
from hardware.rehearsal.level_set.travel import travel
from hardware.rehearsal.level_set.wall import Wall

HALO_CELLS = 6
"""Pixels around the tile beyond the reach of its fronts. The scheme uses two cells on each side."""

_NEAR_CELLS = 1.5
"""Cells this near to an edge take their distance from the contour. The front starts from them."""

_HALF = 0.5


@dataclass(frozen=True, slots=True)
class CrowdingLaw:
    """Local speed over the mean speed.

    It is p m (1 + x (1 - r/w)^2) within w of an edge, where r is the distance to the edge on the
    open side, and p m beyond. p is the pace of the bath's current distribution, 1 without one.
    Under the resist the speed is that of the edge. m keeps the mean over the open area at the start
    at 1. The shape and the width of half a millimetre are an assumption, of the order of the relief
    and of the bath's boundary layer (no source).

    :param excess: x, the excess speed at the edge as a share of that of a wide floor.
    :param plain: m.
    :param most_pace: largest p.
    """

    excess: float
    plain: float = 1.0
    most_pace: float = 1.0

    @property
    def width_mm(self) -> float:
        """w, mm; 0 without crowding."""
        return 0.5 if self.excess > 0.0 else 0.0

    @property
    def fastest(self) -> float:
        """Largest speed that can occur."""
        return self.plain * (1.0 + self.excess) * self.most_pace

    def with_mean(self, mean_speed: float) -> CrowdingLaw:
        """Return the law for an artwork whose open area has this mean speed with m = 1."""
        return replace(self, plain=1.0 / mean_speed)


@dataclass(frozen=True, slots=True)
class Etched:
    """What a tile adds at each time: removed volume, sum of the depths of its open cells, deepest
    place, and number of open cells.

    :param depth: depth of each cell at the last time.
    :param open_weight: open metal of each cell.
    :param finer: cells per pixel, each way.
    """

    volume: Floats
    floor: Floats
    deepest: Floats
    open_cells: float
    depth: Floats
    open_weight: Floats
    finer: int


class Tile:
    """A piece of the artwork with its surroundings.

    :param cover: open share of each pixel, of the tile and ``halo_px`` around it.
    :param weight: share of each pixel of the tile that lies on the plate.
    :param finer: cells per pixel, each way.
    :param pace: speed at each pixel by the bath's current distribution, over the mean; as large as
        ``cover``. None: 1.
    :param corner_px: row and column of the tile's first pixel on the sheet.
    """

    def __init__(
        self,
        cover: npt.NDArray[np.floating[Any]],
        weight: Floats,
        halo_px: int,
        finer: int,
        pace: Floats | None = None,
        corner_px: tuple[int, int] = (0, 0),
    ) -> None:
        self._finer = finer
        self._halo = halo_px * finer
        self._is_plain = bool(cover.min() >= _HALF or cover.max() < _HALF)
        inside = np.s_[halo_px : cover.shape[0] - halo_px, halo_px : cover.shape[1] - halo_px]
        self._open_px = cover[inside] * weight
        self._covered = float(self._open_px.sum()) * finer**2
        self._pace = pace
        self._pace_px = np.ones(weight.shape) if pace is None else pace[inside]
        self.corner_px = corner_px
        self._cover = cover
        self._weight = weight

    @cached_property
    def _cells(self) -> Floats:
        """Open share of each cell, bilinear between the pixels' centres."""
        return _enlarged(_enlarged(self._cover.astype(np.float64), self._finer).T, self._finer).T

    @cached_property
    def _distance(self) -> Floats:
        return edge_distance(self._cells, 2)

    @cached_property
    def _is_open(self) -> Bools:
        is_open: Bools = self._cells >= _HALF
        return is_open

    @cached_property
    def _cell_weight(self) -> Floats:
        return np.repeat(np.repeat(self._weight, self._finer, 0), self._finer, 1)

    def _core(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return values[
            self._halo : values.shape[0] - self._halo, self._halo : values.shape[1] - self._halo
        ]

    def etched(
        self,
        times: Floats,
        steps_per_row: int,
        etch_factor: float,
        law: CrowdingLaw,
        cell_mm: float,
    ) -> Etched:
        """Return what was removed from the tile at each of the times.

        From one to the next it takes ``steps_per_row`` steps.
        """
        if self._is_plain:
            return self._etched_plain(times, law)
        speed = self._speed(law, cell_mm)
        wall = Wall(
            self._arrival(etch_factor, law, speed, float(times[-1])),
            speed,
            etch_factor,
            float(times[0]),
        )
        weight = self._cell_weight
        open_weight = np.where(self._core(self._is_open), weight, 0.0)
        open_cells = float(open_weight.sum())
        contour_cells = float((self._core(_by_cell(open_share(self._cells))) * weight).sum())
        volume, floor, deepest = np.zeros(len(times)), np.zeros(len(times)), np.zeros(len(times))
        for k, time in enumerate(times):
            if k > 0:
                for _ in range(steps_per_row):
                    wall.advance(float(times[k] - times[k - 1]) / steps_per_row)
            depth = wall.depth(self._halo)
            floor[k] = (depth * open_weight).sum()
            # The contour through the pixels' centres is off by up to 0.08 px at edges along the
            # grid. The coverage corrects that.
            volume[k] = (depth * weight).sum() + (self._covered - contour_cells) * (
                floor[k] / open_cells if open_cells > 0.0 else law.fastest * time
            )
            deepest[k] = (depth * (weight > 0.0)).max(initial=0.0)
        last = np.asarray(depth, np.float64)
        return Etched(volume, floor, deepest, open_cells, last, open_weight, self._finer)

    def _etched_plain(self, times: Floats, law: CrowdingLaw) -> Etched:
        """Return the same for a tile without an edge: every place at the speed it has."""
        speed = law.plain * self._pace_px
        open_cells = self._open_px * self._finer**2
        floor = float((open_cells * speed).sum()) * times
        deepest = float(speed.max(initial=0.0, where=self._open_px > 0.0)) * times
        depth = speed * times[-1]
        return Etched(floor, floor, deepest, self._covered, depth, open_cells, 1)

    def mean_speed(self, law: CrowdingLaw, cell_mm: float) -> tuple[float, float]:
        """Return the sum of the speeds of the open cells, and their number."""
        if self._is_plain:
            return float((self._open_px * self._pace_px).sum()) * self._finer**2, self._covered
        open_weight = np.where(self._core(self._is_open), self._cell_weight, 0.0)
        speed = self._core(self._speed(law, cell_mm))
        return float((speed * open_weight).sum()), float(open_weight.sum())

    def _nearness(self, law: CrowdingLaw, cell_mm: float) -> Floats:
        """Return (1 - r/w)^2 of each cell, 1 under the resist."""
        width = law.width_mm / cell_mm
        is_near = self._is_open & (self._distance >= -_NEAR_CELLS)
        inward = travel(
            np.where(self._is_open, np.where(is_near, -self._distance, 0.0), np.inf),
            is_near,
            1.0,
            width,
        )
        near: Floats = np.where(self._is_open, np.clip(1.0 - inward / width, 0.0, 1.0) ** 2, 1.0)
        return near

    def _speed(self, law: CrowdingLaw, cell_mm: float) -> Floats:
        speed = np.full(self._cells.shape, law.plain)
        if self._pace is not None:
            speed *= _enlarged(_enlarged(self._pace, self._finer).T, self._finer).T
        if law.excess > 0.0:
            speed *= 1.0 + law.excess * self._nearness(law, cell_mm)
        return speed

    def _arrival(self, etch_factor: float, law: CrowdingLaw, speed: Floats, last: float) -> Floats:
        """Return when the front under the resist reaches each cell, up to a little beyond the last
        time.

        It is 0 in open metal. The front goes at the speed that each cell has over the etch factor:
        that of the nearest edge.
        """
        slowness = etch_factor / law.fastest
        is_start = self._is_open | (self._distance <= _NEAR_CELLS)
        start = np.where(np.isfinite(self._distance), self._distance, 0.0) * slowness
        arrival = travel(np.where(is_start, start, 0.0), is_start, slowness, last + 3.0 * slowness)
        if self._pace is not None:
            arrival *= law.fastest / speed
        return np.where(self._is_open, 0.0, arrival)


def _enlarged(values: Floats, finer: int) -> Floats:
    """Return each row cut into ``finer`` rows, linear between the middles of the old ones."""
    if finer == 1:
        return values
    wide = np.concatenate([values[:1], values, values[-1:]])
    result = np.empty((len(values) * finer, values.shape[1]))
    for part in range(finer):
        place = (part + 0.5) / finer - 0.5
        low = wide[: len(values)] if place < 0.0 else wide[1:-1]
        high = wide[1:-1] if place < 0.0 else wide[2:]
        share = place % 1.0
        result[part::finer] = (1.0 - share) * low + share * high
    return result


def _by_cell(squares: Floats) -> Floats:
    """Return for each cell the mean of the four squares around it.

    Outside the tile the nearest square repeats.
    """
    wide = np.pad(squares, 1, mode="edge")
    return (wide[:-1, :-1] + wide[:-1, 1:] + wide[1:, :-1] + wide[1:, 1:]) / 4.0
