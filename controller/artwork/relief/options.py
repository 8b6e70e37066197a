"""What relief to compute, checked. Standard library only."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.physics.evenness import PRIOR_MIDDLE

PICTURE, HEIGHT_MAP, FIELD = "picture", "height-map", "field"
KINDS = (PICTURE, HEIGHT_MAP, FIELD)

PRIOR_ETCH_FACTOR = 1.2
"""Median of the etch factor of all metals. Source: common practice, no source (faraday.py)."""

PRIOR_EVENNESS = PRIOR_MIDDLE
"""Best estimate of the evenness before any reading."""

MAX_DEPTH_MM = 3.0
"""Deepest target: the sheet metal of the trade is thinner."""

MAX_REACH_MM = 3.0
"""Farthest undercut that is drawn, mm."""


@dataclass(frozen=True, slots=True)
class ReliefOptions:
    """The relief that is wanted.

    :param kind: ``picture`` (shaded, for the eye), ``height-map`` (16 bits) or ``field``
        (distances and ratios from which a page draws any depth).
    :param depth_mm: target depth in the middle of the widest floor.
    :param etch_factor: depth over undercut.
    :param evenness: how far the depth follows the ohmic current, 0 to 1.
    :param bath: the bath as the current sees it.
    """

    kind: str
    depth_mm: float
    etch_factor: float = PRIOR_ETCH_FACTOR
    evenness: float = PRIOR_EVENNESS
    bath: BathField = field(default_factory=BathField)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise RefusedError("artwork.relief.kind", field="kind", given=repr(self.kind))
        _within(self.depth_mm, "depth_mm", 0.001, MAX_DEPTH_MM)
        _within(self.etch_factor, "etch_factor", 0.1, 20.0)
        _within(self.evenness, "evenness", 0.0, 1.0)
        if self.depth_mm / self.etch_factor > MAX_REACH_MM:
            raise RefusedError(
                "artwork.relief.undercut",
                field="depth_mm",
                undercut_mm=self.depth_mm / self.etch_factor,
                limit_mm=MAX_REACH_MM,
            )

    def to_dict(self) -> dict[str, Any]:
        """Return the options as JSON types."""
        return asdict(self)

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> ReliefOptions:
        """Return checked options. Raises: RefusedError, KeyError, TypeError."""
        unknown = sorted(set(table) - {part.name for part in fields(cls)})
        if unknown:
            raise RefusedError("artwork.relief.unknown", option=ascii(unknown[0])[1:-1])
        bath = dict(table.get("bath") or {})
        minus_plate_mm = bath.get("minus_plate_mm")
        if minus_plate_mm is not None:
            bath["minus_plate_mm"] = (float(minus_plate_mm[0]), float(minus_plate_mm[1]))
        return cls(**{**table, "bath": BathField(**bath)})


def _within(value: Any, option: str, low: float, high: float) -> None:
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not is_number or not math.isfinite(value) or not low <= value <= high:
        raise RefusedError(
            "artwork.relief.outside",
            field=option,
            option=option,
            given=repr(value),
            low=low,
            high=high,
        )
