"""The result of a measurement: frozen values, to JSON and back. Standard library only."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from itertools import pairwise
from typing import Any, get_type_hints

from controller.artwork.loading.readable import ReadableFile
from controller.errors import BiteclockError, RefusedError
from controller.physics.places import Place
from controller.texts import Message

Pair = tuple[float, float]


class MeasureFailedError(BiteclockError, RuntimeError):
    """The measuring process ended without a result: time, memory or a crash."""


def unreadable(path: ReadableFile, error: OSError) -> RefusedError:
    """Return the refusal of a file that the system cannot read."""
    reason = error.strerror or str(error)
    return RefusedError("artwork.file.unreadable", field="file", name=path.name, reason=reason)


@dataclass(frozen=True, slots=True)
class LinePlace:
    """A narrow line where it is narrowest.

    :param x_mm, y_mm: middle of the line, from the top left corner of the artwork.
    :param width_mm: width across the line.
    :param length_mm: length of the part that is that narrow, or None where nobody asked for it.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    length_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ArtworkMeasure:
    """Open area, edges and growth of an artwork, for all copies together.

    Uncertainties are one standard deviation.

    :param growth_mm2: pairs (s_mm, A): open area after the open region has grown by s into the
        resist; the first s is 0.
    :param growth_uncertainty_mm2: pairs (s_mm, one standard deviation of A).
    :param width_mm, height_mm: the plate outline, or the sheet when none was given; of one copy.
    :param open_fraction: share of that plate that is open.
    :param open_fields: separate open fields; fields that touch at a corner count as one.
    :param narrowest_resist, narrowest_open: narrowest line of each kind, or None.
    :param undercut_mm: at the target depth, or None when none was given.
    :param lost_lines: resist lines narrower than twice the undercut, narrowest first, of one copy.
    :param lost_line_count: all of them, also those not listed.
    :param threshold_level: grey level of the file, 0 to 255, that counts as half open.
    :param quality: ``grey`` (edges shaded), ``one_bit``, ``noisy`` or ``drawing`` (vector file).
    :param grid_dpi: resolution of the measuring grid.
    :param scale_source: where the physical size comes from.
    :param sha256: of the file's bytes.
    :param warnings: what may be wrong with the file.
    :param places: how deep each place gets against the mean depth; empty when nobody asked.
    :param bath_resistance_ohm: of the bath between all copies and the minus plate, without the
        surface of the metal, for each value of EVENNESS_GRID; empty when nobody asked.
    """

    area_mm2: float
    area_uncertainty_mm2: float
    edge_mm: float
    edge_uncertainty_mm: float
    growth_mm2: tuple[Pair, ...]
    growth_uncertainty_mm2: tuple[Pair, ...]
    width_mm: float
    height_mm: float
    open_fraction: float
    open_fields: int
    narrowest_resist: LinePlace | None
    narrowest_open: LinePlace | None
    undercut_mm: float | None
    lost_lines: tuple[LinePlace, ...]
    lost_line_count: int
    copies: int
    inverted: bool
    threshold_level: float
    quality: str
    file_format: str
    page: int
    width_px: int
    height_px: int
    dpi: float
    grid_dpi: float
    scale_source: Message
    sha256: str
    version: str
    warnings: tuple[Message, ...] = ()
    places: tuple[Place, ...] = ()
    bath_resistance_ohm: tuple[float, ...] = ()

    def grown_mm2(self, s_mm: float) -> float:
        """Return A(s_mm) by linear interpolation. Raises: RefusedError outside the curve."""
        curve = self.growth_mm2
        if not 0.0 <= s_mm <= curve[-1][0]:
            raise RefusedError("artwork.result.beyond_curve", s_mm=s_mm, end_mm=curve[-1][0])
        for (s0, a0), (s1, a1) in pairwise(curve):
            if s_mm <= s1:
                return a0 + (a1 - a0) * (s_mm - s0) / (s1 - s0)
        return curve[-1][1]

    def to_dict(self) -> dict[str, Any]:
        """Return JSON types that ``from_dict`` reads: messages as key and values."""
        return {
            **self._figures(),
            "scale_source": self.scale_source.to_json(),
            "warnings": [warning.to_json() for warning in self.warnings],
        }

    def to_shown_dict(self) -> dict[str, Any]:
        """Return JSON types for a person or a script: messages as sentences."""
        return {
            **self._figures(),
            "scale_source": str(self.scale_source),
            "warnings": [str(warning) for warning in self.warnings],
        }

    def to_json(self) -> str:
        """Return one line of JSON that ``from_json`` reads."""
        return json.dumps(self.to_dict(), allow_nan=False)

    def _figures(self) -> dict[str, Any]:
        """Return all fields; ``narrowest_resist_mm`` and ``narrowest_open_mm`` are widths alone."""
        table = asdict(self)
        for kind in ("resist", "open"):
            place = table[f"narrowest_{kind}"]
            table[f"narrowest_{kind}_mm"] = None if place is None else place["width_mm"]
        return table

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> ArtworkMeasure:
        """Return the measurement in a table that ``to_dict`` made.

        Raises: RefusedError when a key is missing or unknown; RefusedError, KeyError, TypeError or
        AttributeError when a value is of the wrong kind.
        """
        stored = {key: value for key, value in table.items() if key not in _WIDTHS}
        names = {field.name for field in fields(cls)}
        other = [ascii(key)[1:-1] for key in sorted(set(stored) ^ names)]
        if other:
            raise RefusedError("artwork.result.keys", keys=", ".join(other))
        kinds = get_type_hints(cls)
        values = {
            key: _READ[key](value) if key in _READ else _plain(key, value, kinds[key])
            for key, value in stored.items()
        }
        return cls(**values)

    @classmethod
    def from_json(cls, stored: str) -> ArtworkMeasure:
        """Return the measurement in a JSON text. Raises: RefusedError."""
        try:
            return cls.from_dict(json.loads(stored))
        except RefusedError:
            raise
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise RefusedError("artwork.result.damaged", error=str(error)) from error


_SHA256 = re.compile("[0-9a-f]{64}")

_WIDTHS = ("narrowest_resist_mm", "narrowest_open_mm")
"""Keys that ``to_dict`` adds for readers of the JSON."""


def _plain(key: str, value: Any, kind: type) -> Any:
    """Return a number, text or flag that is of the kind that its field has."""
    if kind is float:
        return _number(value)
    if type(value) is not kind:
        raise RefusedError("artwork.result.value", key=key, given=repr(value))
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RefusedError("artwork.result.number", given=repr(value))
    return float(value)


def _pairs(value: Any) -> tuple[Pair, ...]:
    return tuple((_number(s), _number(a)) for s, a in value)


def _line(value: Any) -> LinePlace:
    length_mm = value.get("length_mm")
    figures = {key: _number(it) for key, it in value.items() if key != "length_mm"}
    return LinePlace(**figures, length_mm=None if length_mm is None else _number(length_mm))


def _depth_place(value: Any) -> Place:
    width_mm = value["width_mm"]
    return Place(
        name=str(value["name"]),
        x_mm=_number(value["x_mm"]),
        y_mm=_number(value["y_mm"]),
        share_of_area=_number(value["share_of_area"]),
        ratios=tuple(map(_number, value["ratios"])),
        width_mm=None if width_mm is None else _number(width_mm),
    )


def _place(value: Any) -> LinePlace | None:
    return None if value is None else _line(value)


def _sha256(value: Any) -> str:
    if not isinstance(value, str) or _SHA256.fullmatch(value) is None:
        raise RefusedError("artwork.result.value", key="sha256", given=repr(value))
    return value


_READ: Mapping[str, Callable[[Any], Any]] = {
    "growth_mm2": _pairs,
    "growth_uncertainty_mm2": _pairs,
    "narrowest_resist": _place,
    "narrowest_open": _place,
    "undercut_mm": lambda value: None if value is None else _number(value),
    "lost_lines": lambda value: tuple(map(_line, value)),
    "sha256": _sha256,
    "places": lambda value: tuple(map(_depth_place, value)),
    "bath_resistance_ohm": lambda value: tuple(map(_number, value)),
    "scale_source": Message.from_json,
    "warnings": lambda value: tuple(map(Message.from_json, value)),
}
"""How to read the fields that are more than one number, text or flag."""
