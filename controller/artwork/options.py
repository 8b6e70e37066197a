"""What a person says about an artwork file, checked. Standard library only."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Any

from controller.artwork import limits
from controller.errors import RefusedError


@dataclass(frozen=True, slots=True)
class MeasureOptions:
    """How to read and measure one file.

    :param dpi: resolution of a raster file; stands above the file's own. Not for PDF and SVG.
    :param width_mm: width of the whole page or image; stands above the file's own size.
    :param page: page of a PDF or frame of a TIFF, from 1.
    :param invert: light is etched instead of dark.
    :param plate_width_mm, plate_height_mm: plate outline, centred on the artwork. What lies outside is not etched.
    :param margin_mm: instead of an outline: this much along each side of the page lies outside the plate.
    :param copies: how often the artwork stands on the plate; multiplies area, edge and growth.
    :param depth_mm, etch_factor: target depth and depth over undercut; together they give the undercut for lost lines.
    :param max_undercut_mm: how far the growth curve must reach at least.
    """

    dpi: float | None = None
    width_mm: float | None = None
    page: int = 1
    invert: bool = False
    plate_width_mm: float | None = None
    plate_height_mm: float | None = None
    margin_mm: float | None = None
    copies: int = 1
    depth_mm: float | None = None
    etch_factor: float | None = None
    max_undercut_mm: float | None = None

    def __post_init__(self) -> None:
        _within(self.dpi, "dpi", limits.MIN_DPI, limits.MAX_DPI, "dpi")
        for name in ("width_mm", "plate_width_mm", "plate_height_mm"):
            _within(getattr(self, name), name, limits.MIN_SIDE_MM, limits.MAX_SIDE_MM, "mm")
        _within(self.margin_mm, "margin_mm", 0.0, limits.MAX_SIDE_MM / 2, "mm")
        _within(self.depth_mm, "depth_mm", 1e-4, 10.0, "mm")
        _within(self.etch_factor, "etch_factor", 0.1, 20.0, "")
        _within(self.max_undercut_mm, "max_undercut_mm", 1e-4, limits.MAX_UNDERCUT_MM, "mm")
        _whole(self.page, "page", 1, 100_000)
        _whole(self.copies, "copies", 1, limits.MAX_COPIES)
        if not isinstance(self.invert, bool):
            raise RefusedError(
                f"invert is {self.invert!r}, it must be true or false", field="invert"
            )
        if self.dpi is not None and self.width_mm is not None:
            raise RefusedError(
                "dpi and width_mm are both given, they may contradict: give one", field="dpi"
            )
        if (self.plate_width_mm is None) != (self.plate_height_mm is None):
            raise RefusedError(
                "a plate outline needs plate_width_mm and plate_height_mm: give both",
                field="plate_width_mm",
            )
        if self.plate_width_mm is not None and self.margin_mm is not None:
            raise RefusedError(
                "plate outline and margin are both given: give one", field="margin_mm"
            )
        if (self.depth_mm is None) != (self.etch_factor is None):
            raise RefusedError(
                "the undercut is depth over etch factor: give depth_mm and etch_factor, or neither",
                field="depth_mm",
            )
        undercut_mm = self.undercut_mm
        if undercut_mm is not None and undercut_mm > limits.MAX_UNDERCUT_MM:
            raise RefusedError(
                f"depth {self.depth_mm:g} mm at etch factor {self.etch_factor:g} undercuts {undercut_mm:.3g} mm, more than "
                f"{limits.MAX_UNDERCUT_MM:g} mm: check depth_mm and etch_factor",
                field="depth_mm",
                limit=f"{limits.MAX_UNDERCUT_MM:g} mm undercut",
            )

    @property
    def undercut_mm(self) -> float | None:
        """Undercut per side at the target depth, mm, or None when no depth is given."""
        if self.depth_mm is None or self.etch_factor is None:
            return None
        return self.depth_mm / self.etch_factor

    @property
    def reach_mm(self) -> float:
        """How far the growth curve goes, mm."""
        return max(limits.MIN_GROWTH_MM, self.undercut_mm or 0.0, self.max_undercut_mm or 0.0)

    def to_dict(self) -> dict[str, Any]:
        """Return the options as JSON types."""
        return asdict(self)

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> MeasureOptions:
        """Return checked options. Raises: RefusedError on unknown keys and wrong values."""
        known = {field.name for field in fields(cls)}
        unknown = sorted(set(table) - known)
        if unknown:
            raise RefusedError(
                f"unknown option {unknown[0]!r}: use {', '.join(sorted(known))}", field=unknown[0]
            )
        return cls(**table)


def _within(value: float | None, field: str, low: float, high: float, unit: str) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RefusedError(f"{field} is {value!r}, it must be a number", field=field)
    if not low <= value <= high:
        raise RefusedError(
            f"{field} is {value:g} {unit}, outside {low:g} to {high:g} {unit}: check the unit".replace(
                "  ", " "
            ),
            field=field,
            limit=f"{low:g}-{high:g} {unit}".strip(),
        )


def _whole(value: int, field: str, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise RefusedError(
            f"{field} is {value!r}, it must be a whole number from {low} to {high}",
            field=field,
            limit=f"{low}-{high}",
        )
