"""Finds the places that a metalsmith gauges or fears, each with its depth over the mean depth.

The ratio of a kind of place is the mean over all metal of that kind. The place named is one where
a gauge can stand and the ratio is about that mean.
"""

from __future__ import annotations

import numpy as np

from controller.artwork.distances.components import component_roots
from controller.artwork.distribution.plate_map import FINE_MM, PlateMap
from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.distribution.widths import (
    middle_of,
    opened,
    pixels_of,
    rim_distance,
    width_at,
)
from controller.artwork.outline.chain import Bools, Floats, Ints
from controller.physics.places import EVENNESS_GRID, Place

TIP_MM = 1.0
"""Diameter of the spot that a gauge feels: the point of a depth gauge. Common practice, no source.
The edge of the widest floor is the deepest place where that spot just clears the resist."""

DEEPEST_FRACTION = 0.05
"""Share of the open area that counts as deepest; its ratio is the mean over that share."""

_JUDGED_AT = EVENNESS_GRID.index(0.5)
"""What is deepest, and which spot is typical, is judged at this evenness. The order of the pixels
hardly depends on it."""

_ROUGH_SIDE_PX = 400
"""Longest side of the grid that the widest floor is looked for on."""

_CLASSES_MM = ((FINE_MM, 1.0), (1.0, 3.0), (3.0, None))
_LEAST_CLASS_FRACTION = 1e-4
"""Classes with less of the open area are left out: corners and specks of other classes."""

_ORDER = (1.0, 0.1, 0.5, 0.02, 0.8)
"""Solved first, far apart: the others are then nearly a mix of these."""

Ratios = dict[float, Floats]


def ratios_by_evenness(solver: CurrentSolver) -> tuple[Ratios, tuple[float, ...]]:
    """Return for each evenness the ratios and the bath's resistance * sigma * open area, mm."""
    order = (*_ORDER, *(evenness for evenness in EVENNESS_GRID if evenness not in _ORDER))
    found = {evenness: solver.solve(evenness) for evenness in order}
    ratios = {evenness: found[evenness].ratios for evenness in EVENNESS_GRID}
    return ratios, tuple(found[evenness].bath_mm for evenness in EVENNESS_GRID)


def find_places(plate: PlateMap, ratios: Ratios) -> tuple[Place, ...]:
    """Return the places of a plate: floor, classes of width, deepest twentieth."""
    search = _Search(plate, ratios)
    return (*search.floor(), *search.classes(), search.deepest())


class _Search:
    """Looks for places on one plate."""

    def __init__(self, plate: PlateMap, ratios: Ratios) -> None:
        self._plate, self._ratios = plate, ratios
        self._judged = ratios[EVENNESS_GRID[_JUDGED_AT]]
        self._share = np.where(self._judged > 0.0, plate.open_share, 0.0)
        self._area = float(self._share.sum())
        self._is_open = self._share >= 0.5

    def floor(self) -> list[Place]:
        """Return the middle and the edge of the widest floor."""
        step = max(1, -(-max(self._share.shape) // _ROUGH_SIDE_PX))
        is_open, judged = _rough(self._is_open, self._judged, step)
        if not is_open.any():
            return []
        distance = rim_distance(is_open)
        # Where a floor is long, its middle line is equally wide: the shallowest spot of it.
        widest = distance >= 0.98 * distance.max()
        at = int(np.where(widest, judged, np.inf).argmin())
        middle = middle_of(at, is_open.shape)
        radius_mm = float(distance[middle]) * step * self._plate.pixel_mm
        spot = self._near(middle, step)
        places = [self._spot("widest-floor-middle", spot, radius_mm, 2 * radius_mm)]
        if radius_mm > TIP_MM:
            edge = self._edge(is_open, distance, judged, at, step)
            places.append(self._spot("widest-floor-edge", edge, radius_mm, None))
        return places

    def _edge(
        self, is_open: Bools, distance: Floats, judged: Floats, middle: int, step: int
    ) -> tuple[int, int]:
        """Return the deepest place of the floor where the gauge's tip just clears the resist."""
        tip_px = TIP_MM / 2 / self._plate.pixel_mm / step
        ring = (distance >= tip_px) & (distance < tip_px + 1.0) & _field(is_open, middle)
        if not ring.any():
            ring = _field(is_open, middle)
        at = int(np.where(ring, judged, -1.0).argmax())
        return self._near(middle_of(at, is_open.shape), step)

    def classes(self) -> list[Place]:
        """Return a place for each class of line width that the plate has."""
        fine = np.minimum(self._plate.fine_share, self._share)
        places = [self._kind("lines-under-0.3-mm", fine)]
        rest = self._share - fine
        names = ("lines-0.3-to-1-mm", "lines-1-to-3-mm", "wider-than-3-mm")
        narrower = np.zeros_like(self._is_open)
        for name, (_, below_mm) in zip(names, _CLASSES_MM, strict=True):
            if below_mm is None:
                inside = ~narrower
            else:
                wide = _spread(opened(self._is_open, below_mm / self._plate.pixel_mm))
                inside = ~wide & ~narrower
                narrower |= inside
            places.append(self._kind(name, np.where(inside, rest, 0.0)))
        return [place for place in places if place is not None]

    def deepest(self) -> Place:
        """Return the deepest twentieth of the open area."""
        flat, share = self._judged.reshape(-1), self._share.reshape(-1)
        order = np.argsort(-flat, kind="stable")
        reached = np.cumsum(share[order])
        count = int(np.searchsorted(reached, DEEPEST_FRACTION * self._area)) + 1
        weight = np.zeros_like(share)
        weight[order[:count]] = share[order[:count]]
        place = self._kind("deepest-twentieth", weight.reshape(self._share.shape), least=0.0)
        if place is None:
            raise AssertionError("a plate with open metal has a deepest part")
        return place

    def _kind(
        self, name: str, weight: Floats, least: float = _LEAST_CLASS_FRACTION
    ) -> Place | None:
        """Return a kind of place with the mean ratios of its metal, or None when it is absent.

        :param weight: share of each pixel that is of the kind.
        """
        total = float(weight.sum())
        if total <= least * self._area:
            return None
        ratios = tuple(
            float((weight * self._ratios[evenness]).sum()) / total for evenness in EVENNESS_GRID
        )
        # A typical spot: all of this kind, if there is such a pixel, and about as deep as the mean.
        solid = weight >= 0.9 * float(weight.max())
        off = np.abs(self._judged - ratios[_JUDGED_AT])
        row, column = middle_of(int(np.where(solid, off, np.inf).argmin()), weight.shape)
        x_mm, y_mm = self._plate.at_mm(row, column)
        width = width_at(self._is_open, row, column, pixels_of(5.0, self._plate.pixel_mm))
        width_mm = max(1, width) * self._plate.pixel_mm
        return Place(name, x_mm, y_mm, min(1.0, total / self._area), ratios, width_mm)

    def _spot(
        self, name: str, spot: tuple[int, int], radius_mm: float, width_mm: float | None
    ) -> Place:
        """Return a place with the mean ratio under the gauge's tip.

        Its share of the area is that of a disc of half the floor's width around its middle, and of
        the tip at its edge.
        """
        pixel_mm = self._plate.pixel_mm
        tip_px = min(TIP_MM, radius_mm) / 2 / pixel_mm
        weight = self._disc(spot, tip_px)
        total = float(weight.sum())
        ratios = tuple(
            float((weight * self._ratios[evenness]).sum()) / total for evenness in EVENNESS_GRID
        )
        around = weight if width_mm is None else self._disc(spot, radius_mm / 2 / pixel_mm)
        x_mm, y_mm = self._plate.at_mm(*spot)
        return Place(name, x_mm, y_mm, float(around.sum()) / self._area, ratios, width_mm)

    def _disc(self, spot: tuple[int, int], radius_px: float) -> Floats:
        """Return the open metal within a radius of a pixel; at least the pixel itself."""
        row, column = np.ogrid[: self._share.shape[0], : self._share.shape[1]]
        away = (row - spot[0]) ** 2 + (column - spot[1]) ** 2
        return np.where(away <= max(radius_px, 0.5) ** 2, self._share, 0.0)

    def _near(self, rough: tuple[int, int], step: int) -> tuple[int, int]:
        """Return the open pixel nearest to the middle of a pixel of the rough grid."""
        row, column = (place * step + (step - 1) / 2 for place in rough)
        rows, columns = np.nonzero(self._is_open)
        nearest = int(((rows - row) ** 2 + (columns - column) ** 2).argmin())
        return int(rows[nearest]), int(columns[nearest])


def _rough(is_open: Bools, judged: Floats, step: int) -> tuple[Bools, Floats]:
    """Return a coarser look at the same plate: open where squares of pixels are all open."""
    near = is_open[step // 2 :: step, step // 2 :: step]
    rows, columns = is_open.shape
    filled = np.pad(is_open, ((0, -rows % step), (0, -columns % step)))
    parts = filled.reshape(filled.shape[0] // step, step, -1, step)
    whole = np.logical_and.reduce(parts, axis=(1, 3))[: near.shape[0], : near.shape[1]]
    coarse = judged[step // 2 :: step, step // 2 :: step]
    return (whole if whole.any() else near), coarse


def _spread(wide: Bools) -> Bools:
    """Return the pixels and their neighbours: a half-open rim belongs to the opening beside it."""
    spread = wide.copy()
    spread[1:] |= wide[:-1]
    spread[:-1] |= wide[1:]
    tall = spread.copy()
    spread[:, 1:] |= tall[:, :-1]
    spread[:, :-1] |= tall[:, 1:]
    return spread


def _field(is_open: Bools, place: int) -> Bools:
    """Return the open field around a place of the flat array."""
    number: Ints = np.arange(is_open.size).reshape(is_open.shape)
    beside = is_open[:, 1:] & is_open[:, :-1]
    below = is_open[1:] & is_open[:-1]
    roots = component_roots(
        is_open.size,
        np.concatenate([number[:, :-1][beside], number[:-1][below]]),
        np.concatenate([number[:, 1:][beside], number[1:][below]]),
    )
    same: Bools = (roots == roots[place]).reshape(is_open.shape)
    return same & is_open
