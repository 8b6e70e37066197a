"""What a film is made for and how it is printed, checked. Standard library only."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, fields
from typing import Any

from controller.artwork import limits
from controller.artwork.options import bath_from_dict
from controller.errors import RefusedError
from controller.physics.bath_field import BathField

FORMATS = ("pdf", "png", "svg")
MEDIA_TYPES = {"pdf": "application/pdf", "png": "image/png", "svg": "image/svg+xml"}

MOST_FILM_BYTES = 20_000_000
"""Largest film: the daemon holds it whole. Source: a million corners take 17 MB as SVG."""

EDGES = ("top", "right", "bottom", "left")
ALONG_BAR_MM = (10.0, 300.0)
"""Shortest and longest scale bar, mm: a ruler reads 0.25 mm, and more than a sheet is no help."""

MOST_BORDER_MM = 100.0
MOST_TAB_MM = 100.0
MOST_DEPTH_MM = 10.0
LEAST_DPI, MOST_DPI = 1200, 4800
"""Resolutions of the PNG. At the least one a pixel is 0.02 mm wide."""


@dataclass(frozen=True, slots=True)
class FilmOptions:
    """What a film is made for, and how it is printed.

    :param depth_mm: target depth in the middle of the widest floor; 0 leaves the artwork as it is.
    :param etch_factor: depth over undercut on each side.
    :param file_format: ``pdf``, ``png`` or ``svg``.
    :param least_open_mm: width that every opening keeps. Openings narrower in the artwork stay as
        they are drawn. Common practice, no source: dry film of 0.05 mm opens lines of 0.1 mm.
    :param mirrored: printed the wrong way round, for a film whose printed side lies on the resist.
        So no light creeps under its edges.
    :param negative: black is resist. Otherwise black is etched: usual dry film hardens where light
        falls on it (common practice, no source).
    :param border_mm: covered metal around the artwork, to be cut off.
    :param tab_edge: edge of the plate with a covered tab for the contact, or None.
    :param tab_width_mm: of the tab, along the edge.
    :param tab_length_mm: of the tab, away from the edge.
    :param with_marks: prints crosses for registration, ticks for cutting, the scale bar and words
        beside the plate. Without them, the film is the plate alone.
    :param scale_bar_mm: length of the scale bar.
    :param dpi: resolution of the PNG.
    :param field: the bath's field, which makes the depth uneven; None takes it as even.
    :param evenness: 0 uniform to 1 ohmic, with ``field``.
    """

    depth_mm: float
    etch_factor: float
    file_format: str = "pdf"
    least_open_mm: float = 0.1
    mirrored: bool = True
    negative: bool = False
    border_mm: float = 5.0
    tab_edge: str | None = None
    tab_width_mm: float = 10.0
    tab_length_mm: float = 15.0
    with_marks: bool = True
    scale_bar_mm: float = 100.0
    dpi: int = LEAST_DPI
    field: BathField | None = None
    evenness: float = 0.0

    def __post_init__(self) -> None:
        for name, low, high, unit in (
            ("depth_mm", 0.0, MOST_DEPTH_MM, "mm"),
            ("etch_factor", 0.1, 20.0, ""),
            ("least_open_mm", 0.0, 1.0, "mm"),
            ("border_mm", 0.0, MOST_BORDER_MM, "mm"),
            ("tab_width_mm", 1.0, MOST_TAB_MM, "mm"),
            ("tab_length_mm", 1.0, MOST_TAB_MM, "mm"),
            ("scale_bar_mm", *ALONG_BAR_MM, "mm"),
            ("dpi", LEAST_DPI, MOST_DPI, "dpi"),
            ("evenness", 0.0, 1.0, ""),
        ):
            _within(getattr(self, name), name, low, high, unit)
        _one_of(self.file_format, "file_format", FORMATS)
        if self.tab_edge is not None:
            _one_of(self.tab_edge, "tab_edge", EDGES)
            if not self.with_marks:
                raise RefusedError("artwork.film.tab_alone", field="tab_edge")
        for name in ("mirrored", "negative", "with_marks"):
            if not isinstance(getattr(self, name), bool):
                _refuse_kind(name, getattr(self, name))
        if self.undercut_mm > limits.MAX_UNDERCUT_MM:
            raise RefusedError(
                "artwork.option.undercut",
                field="depth_mm",
                depth_mm=self.depth_mm,
                etch_factor=self.etch_factor,
                undercut_mm=self.undercut_mm,
                limit_mm=limits.MAX_UNDERCUT_MM,
            )

    @property
    def undercut_mm(self) -> float:
        """Undercut per side at the target depth, mm."""
        return self.depth_mm / self.etch_factor

    def to_dict(self) -> dict[str, Any]:
        """Return the options as JSON types."""
        return asdict(self)

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> FilmOptions:
        """Return checked options. Raises: RefusedError, TypeError on wrong kinds."""
        unknown = sorted(set(table) - {field.name for field in fields(cls)})
        if unknown:
            raise RefusedError("artwork.film.unknown", field=unknown[0], option=ascii(unknown[0]))
        field = table.get("field")
        return cls(**{**table, "field": None if field is None else bath_from_dict(field)})


def _within(value: Any, name: str, low: float, high: float, unit: str) -> None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        _refuse_kind(name, value)
    if not low <= value <= high:
        values = {"option": name, "given": value, "low": low, "high": high}
        if unit:
            raise RefusedError("artwork.option.outside_unit", field=name, unit=unit, **values)
        raise RefusedError("artwork.option.outside", field=name, **values)


def _one_of(value: Any, name: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise RefusedError(
            "artwork.film.choice",
            field=name,
            option=name,
            given=ascii(value),
            known=", ".join(known),
        )


def _refuse_kind(name: str, value: Any) -> None:
    raise RefusedError("artwork.option.no_number", field=name, option=name, given=ascii(value))
