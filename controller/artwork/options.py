"""How to read and measure an artwork file, checked. Standard library only."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Any

from controller.artwork import limits
from controller.errors import RefusedError
from controller.physics.bath_field import BathField


@dataclass(frozen=True, slots=True)
class MeasureOptions:
    """How to read and measure one file.

    :param dpi: resolution of a raster file; overrides the value in the file. Not for PDF and SVG.
    :param width_mm: width of the whole page or image; overrides the size in the file.
    :param page: page of a PDF or frame of a TIFF, from 1.
    :param invert: light is etched instead of dark.
    :param plate_width_mm, plate_height_mm: plate outline, centred on the artwork. What lies
        outside is not etched.
    :param margin_mm: in place of an outline: width of the strip along each side of the page that
        lies outside the plate.
    :param copies: copies of the artwork on the plate; multiplies area, edge and growth.
    :param depth_mm, etch_factor: target depth, and depth over undercut; together they give the
        undercut that decides which lines are lost.
    :param max_undercut_mm: the growth curve reaches at least this far.
    :param bath: where the places of the plate are wanted: gap, conductivity and walls of the bath.
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
    bath: BathField | None = None

    def __post_init__(self) -> None:
        self._check_values()
        self._check_pairs()
        undercut_mm = self.undercut_mm
        if undercut_mm is not None and undercut_mm > limits.MAX_UNDERCUT_MM:
            raise RefusedError(
                "artwork.option.undercut",
                field="depth_mm",
                depth_mm=self.depth_mm or 0.0,
                etch_factor=self.etch_factor or 0.0,
                undercut_mm=undercut_mm,
                limit_mm=limits.MAX_UNDERCUT_MM,
            )

    def _check_values(self) -> None:
        """Check each option by itself. Raises: RefusedError."""
        _within(self.dpi, "dpi", limits.MIN_DPI, limits.MAX_DPI, "dpi")
        for name in ("width_mm", "plate_width_mm", "plate_height_mm"):
            _within(getattr(self, name), name, limits.MIN_SIDE_MM, limits.MAX_SIDE_MM, "mm")
        _within(self.margin_mm, "margin_mm", 0.0, limits.MAX_SIDE_MM / 2, "mm")
        _within(self.depth_mm, "depth_mm", 1e-4, 10.0, "mm")
        _within(self.etch_factor, "etch_factor", 0.1, 20.0, None)
        _within(self.max_undercut_mm, "max_undercut_mm", 1e-4, limits.MAX_UNDERCUT_MM, "mm")
        _whole(self.page, "page", 1, 100_000)
        _whole(self.copies, "copies", 1, limits.MAX_COPIES)
        if not isinstance(self.invert, bool):
            raise RefusedError("artwork.option.invert", field="invert", given=repr(self.invert))

    def _check_pairs(self) -> None:
        """Check the options that exclude or need each other. Raises: RefusedError."""
        if self.dpi is not None and self.width_mm is not None:
            raise RefusedError("artwork.option.dpi_and_width", field="dpi")
        if (self.plate_width_mm is None) != (self.plate_height_mm is None):
            raise RefusedError("artwork.option.half_outline", field="plate_width_mm")
        if self.plate_width_mm is not None and self.margin_mm is not None:
            raise RefusedError("artwork.option.outline_and_margin", field="margin_mm")
        if (self.depth_mm is None) != (self.etch_factor is None):
            raise RefusedError("artwork.option.half_undercut", field="depth_mm")

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
                "artwork.option.unknown",
                field=unknown[0],
                option=ascii(unknown[0])[1:-1],
                known=", ".join(sorted(known)),
            )
        bath = table.get("bath")
        if isinstance(bath, dict):
            table = {**table, "bath": bath_from_dict(bath)}
        elif bath is not None:
            raise RefusedError("artwork.option.bath", field="bath")
        return cls(**table)


def bath_from_dict(table: dict[str, Any]) -> BathField:
    """Return the bath in JSON types. Raises: RefusedError."""
    values = dict(table)
    minus_plate = values.get("minus_plate_mm")
    if isinstance(minus_plate, (list, tuple)) and len(minus_plate) == 2:
        values["minus_plate_mm"] = tuple(minus_plate)
    numbers = [*minus_plate] if isinstance(minus_plate, (list, tuple)) else []
    numbers += [value for name, value in values.items() if name != "minus_plate_mm"]
    is_number = all(
        isinstance(value, (int, float)) and not isinstance(value, bool) for value in numbers
    )
    if not is_number or set(values) != {field.name for field in fields(BathField)}:
        raise RefusedError("artwork.option.bath", field="bath")
    return BathField(**values)


def _within(value: float | None, option: str, low: float, high: float, unit: str | None) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RefusedError(
            "artwork.option.no_number", field=option, option=option, given=repr(value)
        )
    if not low <= value <= high:
        values: dict[str, Any] = {"option": option, "given": value, "low": low, "high": high}
        if unit is None:
            raise RefusedError("artwork.option.outside", field=option, **values)
        raise RefusedError("artwork.option.outside_unit", field=option, unit=unit, **values)


def _whole(value: int, option: str, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise RefusedError(
            "artwork.option.no_whole_number",
            field=option,
            option=option,
            given=repr(value),
            low=low,
            high=high,
        )
