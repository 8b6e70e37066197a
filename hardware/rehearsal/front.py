"""The model of the etch front: the open metal surface at the depth reached.

It shares no formula with the controller.
"""

from __future__ import annotations

from math import pi
from typing import Protocol

from controller.errors import RefusedError
from controller.units import positive


class Front(Protocol):
    """A surface that recedes as metal is removed."""

    @property
    def depth_mm(self) -> float:
        """Depth of the floor below the bare surface, mm."""

    @property
    def deepest_mm(self) -> float:
        """Depth of the deepest place, mm."""

    @property
    def exposed_area_mm2(self) -> float:
        """Surface that recedes with the floor, mm2: removed volume per depth."""

    def remove(self, volume_mm3: float) -> None:
        """Remove ``volume_mm3`` (>= 0) from the surface."""


class SteinerFront:
    """Convex openings, far from each other, whose edges move under the resist.

    The undercut is depth / etch factor and its profile a quarter ellipse. So the removed volume per
    depth is A + (pi/2) P d/k + 2 pi n d^2/k^2. Source: Steiner's formula for the area grown by s,
    A + P s + pi n s^2, integrated over the quarter ellipse. The depth is integrated from that in
    small steps (midpoint rule), never from a volume formula.

    :param area_mm2: open area of all of them.
    :param edge_mm: length of their edges, 0 for none.
    :param etch_factor: depth over undercut per side.
    :param fields: number of openings.
    """

    def __init__(
        self, area_mm2: float, edge_mm: float, etch_factor: float, fields: int = 1
    ) -> None:
        self._area_mm2 = positive(area_mm2, "area_mm2", "mm2")
        if not edge_mm >= 0.0:
            raise RefusedError("hardware.front.edge", field="edge_mm", edge_mm=edge_mm)
        self._linear_mm = pi / 2.0 * edge_mm / positive(etch_factor, "etch_factor", "")
        self._square = (
            2.0 * pi * positive(fields, "fields", "") / etch_factor**2 if edge_mm else 0.0
        )
        self._depth_mm = 0.0

    @property
    def depth_mm(self) -> float:
        """Depth of the floor, mm."""
        return self._depth_mm

    @property
    def deepest_mm(self) -> float:
        """Depth of the deepest place, mm: that of the even floor."""
        return self._depth_mm

    @property
    def exposed_area_mm2(self) -> float:
        """Surface that recedes with the floor, mm2."""
        return self._at_mm2(self._depth_mm)

    def remove(self, volume_mm3: float) -> None:
        """Remove a volume: one step of the midpoint rule."""
        half_mm = 0.5 * volume_mm3 / self._at_mm2(self._depth_mm)
        self._depth_mm += volume_mm3 / self._at_mm2(self._depth_mm + half_mm)

    def _at_mm2(self, depth_mm: float) -> float:
        return self._area_mm2 + (self._linear_mm + self._square * depth_mm) * depth_mm
