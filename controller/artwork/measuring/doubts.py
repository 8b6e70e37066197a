"""What may not be meant: grey parts, dust on a scan, and etched where raised was meant.

The last two cannot be seen in the figures, so the person is asked. The uncertainty allows for dust.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.artwork.distances.components import FieldCount
from controller.artwork.outline.chain import Bools, Cover, Ints, is_open
from controller.errors import RefusedError
from controller.texts import Message

MAX_SPECK_MM = 0.3
"""A field of a scan is a speck up to the area of a disc of this diameter. Dust and fibre ends are
about that large; the smallest dots that a resist holds are too (common practice, no source)."""

_LEAST_SPECKS = 5
_LEAST_AREA_FRACTION = 0.001
_LEAST_EDGE_FRACTION = 0.01
"""Fewer specks, or specks that change area and edge by less, are not worth a question."""

_RIM_FRACTION = 0.6
"""Open share of the artwork's rim above which its polarity is in doubt."""


_SOFT_LIMIT_FRACTION = 0.25
_SOFT_WARN_FRACTION = 0.01
"""Shaded shares of the open area. Above the first the artwork is refused as a picture in tones;
above the second there is a warning."""


def soft_warning(soft_px2: float, open_px2: float, px_mm: float) -> list[Message]:
    """Return a warning when parts are grey. Raises: RefusedError for a picture in tones."""
    share = soft_px2 / open_px2
    grey_mm2 = soft_px2 * px_mm**2
    if share > _SOFT_LIMIT_FRACTION:
        raise RefusedError(
            "artwork.tones",
            field="file",
            grey_mm2=grey_mm2,
            share_percent=100 * share,
            limit_percent=100 * _SOFT_LIMIT_FRACTION,
        )
    if share > _SOFT_WARN_FRACTION:
        return [Message("artwork.grey_parts", {"grey_mm2": grey_mm2})]
    return []


@dataclass(frozen=True)
class Dust:
    """Specks that may be dust, of one copy.

    :param area_px2, edge_px: of all of them, the edge as if they were discs.
    :param first_mm: x and y of the topmost, from the artwork's top left corner.
    :param places_px: x and y of a pixel of each, on the measuring grid; shape (count, 2).
    """

    count: int
    area_px2: float
    edge_px: float
    first_mm: tuple[float, float]
    places_px: Ints


def dust_warning(dust: Dust, open_px2: float, edge_px: float) -> Message:
    """Return the question about the specks.

    :param open_px2, edge_px: of the whole sheet.
    """
    return Message(
        "artwork.specks",
        {
            "count": dust.count,
            "size_mm": MAX_SPECK_MM,
            "area_percent": 100.0 * dust.area_px2 / open_px2,
            "edge_percent": 100.0 * min(1.0, dust.edge_px / edge_px),
            "x_mm": dust.first_mm[0],
            "y_mm": dust.first_mm[1],
        },
    )


class Doubts:
    """Looks at the sheet while it passes.

    :param px_mm: side of a grid pixel.
    :param origin_mm: first corner of the grid, from the artwork's top left corner: x, y.
    :param looks_for_dust: whether the file is a picture. A drawing carries no dust.
    """

    def __init__(
        self, px_mm: float, origin_mm: tuple[float, float], *, looks_for_dust: bool
    ) -> None:
        self._px_mm, self._origin_mm = px_mm, origin_mm
        self._looks = looks_for_dust
        speck_px2 = math.pi / 4.0 * (MAX_SPECK_MM / px_mm) ** 2
        self.fields = FieldCount(speck_px2)
        self._holes = FieldCount(speck_px2)
        self._rim_px = self._rim_open_px = 0

    def add(self, is_open_rows: Bools) -> None:
        """Add the next rows, as FieldCount."""
        self.fields.add(is_open_rows)
        if self._looks:
            self._holes.add(~is_open_rows)

    def add_rim(self, core: Cover, full: int, *, is_first: bool, is_last: bool) -> None:
        """Look at the parts of a band that lie on the artwork's rim."""
        sides = [core[:, 0], core[:, -1]]
        sides += [core[0]] if is_first else []
        sides += [core[-1]] if is_last else []
        for side in sides:
            self._rim_px += len(side)
            self._rim_open_px += int(np.count_nonzero(is_open(side, full)))

    def dust(self, open_px2: float, edge_px: float) -> Dust | None:
        """Return the specks when they matter, else None.

        :param open_px2, edge_px: of the whole sheet.
        """
        if not self._looks:
            return None
        parts = self.fields.specks, self._holes.specks
        area_px2 = np.concatenate([part.area_px2 for part in parts])
        edge = float(np.sqrt(4.0 * math.pi * area_px2).sum())
        if len(area_px2) < _LEAST_SPECKS or (
            area_px2.sum() < _LEAST_AREA_FRACTION * open_px2
            and edge < _LEAST_EDGE_FRACTION * edge_px
        ):
            return None
        places_px = np.concatenate([np.column_stack([part.x_px, part.y_px]) for part in parts])
        x_px, y_px = places_px[np.lexsort(places_px.T)[0]]
        x_mm, y_mm = self._origin_mm
        first_mm = x_mm + float(x_px) * self._px_mm, y_mm + float(y_px) * self._px_mm
        return Dust(len(area_px2), float(area_px2.sum()), edge, first_mm, places_px.astype(np.intp))

    def rim_warning(self) -> list[Message]:
        """Return the question about the polarity, if there is one."""
        share = self._rim_open_px / self._rim_px
        if share < _RIM_FRACTION:
            return []
        return [Message("artwork.open_rim", {"share_percent": 100.0 * share})]
