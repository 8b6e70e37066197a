"""What a film saves and what it cannot: frozen values, to JSON and back. Standard library only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from controller.errors import RefusedError
from controller.texts import Message


@dataclass(frozen=True, slots=True)
class FilmLine:
    """A line of the artwork at its worst place.

    :param x_mm, y_mm: middle of the line, from the top left corner of the artwork as drawn.
    :param width_mm: as drawn.
    :param etched_width_mm: that is left after etching through the film; 0 when nothing is. Of an
        opening: its width at the top of the metal.
    :param length_mm: of the part that the film cannot put right.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    etched_width_mm: float
    length_mm: float


@dataclass(frozen=True, slots=True)
class FilmResult:
    """A film's figures.

    :param undercut_mm: undercut at the target depth; 0 for depth 0.
    :param least_undercut_mm, most_undercut_mm: over the artwork, where the depth is uneven.
    :param lines_saved: resist lines narrower than twice the undercut that stay, thanks to the film.
    :param lines_lost: those that lose more than half of their width all the same, because the
        openings beside them are too narrow.
    :param lost_lines: of the latter, the first in order of width left.
    :param openings_limited: openings that are narrowed less than the undercut asks for, to keep
        the least width; they come out wider than drawn.
    :param width_mm, height_mm: of the film.
    :param plate_width_mm, plate_height_mm: of the plate, border included, tab not.
    :param scale_bar_mm: length of the scale bar, or None when there is none.
    :param warnings: what may be wrong with the file or the film.
    """

    depth_mm: float
    etch_factor: float
    undercut_mm: float
    least_undercut_mm: float
    most_undercut_mm: float
    evenness: float | None
    lines_saved: int
    lines_lost: int
    lost_lines: tuple[FilmLine, ...]
    openings_limited: int
    limited_openings: tuple[FilmLine, ...]
    width_mm: float
    height_mm: float
    plate_width_mm: float
    plate_height_mm: float
    scale_bar_mm: float | None
    mirrored: bool
    negative: bool
    file_format: str
    dpi: int | None
    sha256: str
    warnings: tuple[Message, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return JSON types that ``from_dict`` reads."""
        return {**asdict(self), "warnings": [warning.to_json() for warning in self.warnings]}

    def to_shown_dict(self) -> dict[str, Any]:
        """Return JSON types for a person or a script: messages as sentences."""
        return {**asdict(self), "warnings": [str(warning) for warning in self.warnings]}

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> FilmResult:
        """Return the result in a table that ``to_dict`` made.

        Raises: RefusedError, KeyError, TypeError or AttributeError when it is something else.
        """
        other = sorted(set(table) ^ {field.name for field in fields(cls)})
        if other:
            raise RefusedError("artwork.result.keys", keys=ascii(other[0]))
        values = {key: _plain(key, value) for key, value in table.items() if key not in _NESTED}
        for name in ("lost_lines", "limited_openings"):
            values[name] = tuple(map(_line, table[name]))
        return cls(**values, warnings=tuple(map(Message.from_json, table["warnings"])))


_NESTED = ("lost_lines", "limited_openings", "warnings")


def _plain(key: str, value: Any) -> Any:
    """Return a number, text, flag or None; a number must be finite. Raises: RefusedError."""
    if isinstance(value, float) and not math.isfinite(value):
        raise RefusedError("artwork.result.number", given=repr(value))
    if value is not None and not isinstance(value, (bool, int, float, str)):
        raise RefusedError("artwork.result.value", key=key, given=ascii(value))
    return value


def _line(value: Any) -> FilmLine:
    names = [field.name for field in fields(FilmLine)]
    numbers = {name: _plain(name, value[name]) for name in names}
    return FilmLine(**{name: float(number) for name, number in numbers.items()})
