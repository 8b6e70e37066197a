"""What a measurement says: frozen values with units in the names, to JSON and back. Standard library only."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, fields
from itertools import pairwise
from typing import Any, get_type_hints

from controller.errors import BiteclockError

Pair = tuple[float, float]


class MeasureFailedError(BiteclockError, RuntimeError):
    """The measuring process ended without a result: time, memory or a crash. The message says what to do."""


@dataclass(frozen=True, slots=True)
class LinePlace:
    """A narrow line where it is narrowest.

    :param x_mm, y_mm: middle of the line, from the top left corner of the artwork.
    :param width_mm: width across the line.
    :param length_mm: how long the line is that narrow, as far as that is asked; else None.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    length_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ArtworkMeasure:
    """Open area, edges and growth of an artwork, for all copies together. Uncertainties are one standard deviation.

    :param growth_mm2: pairs (s_mm, A): open area after the open region has grown by s into the resist; first s is 0.
    :param growth_uncertainty_mm2: pairs (s_mm, one standard deviation of A).
    :param width_mm, height_mm: the plate outline, or the sheet when none was given; of one copy.
    :param open_fraction: share of that plate that is open.
    :param open_fields: separate open fields; fields that touch at a corner count as one.
    :param narrowest_resist, narrowest_open: narrowest line of each kind, or None when there is no line.
    :param undercut_mm: at the target depth, or None when none was given.
    :param lost_lines: resist lines narrower than twice the undercut, narrowest first, of one copy.
    :param lost_line_count: all of them, also those not listed.
    :param threshold_level: grey level of the file, 0 to 255, that counts as half open.
    :param quality: ``grey`` (edges shaded), ``one_bit``, ``noisy`` or ``drawing`` (vector file).
    :param grid_dpi: resolution of the measuring grid.
    :param scale_source: where the physical size comes from.
    :param sha256: of the file's bytes.
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
    scale_source: str
    sha256: str
    version: str
    warnings: tuple[str, ...] = ()

    def grown_mm2(self, s_mm: float) -> float:
        """Return A(s_mm) by linear interpolation. Raises: ValueError outside the curve."""
        curve = self.growth_mm2
        if not 0.0 <= s_mm <= curve[-1][0]:
            raise ValueError(f"s is {s_mm:g} mm, the growth curve covers 0 to {curve[-1][0]:g} mm")
        for (s0, a0), (s1, a1) in pairwise(curve):
            if s_mm <= s1:
                return a0 + (a1 - a0) * (s_mm - s0) / (s1 - s0)
        return curve[-1][1]

    def to_dict(self) -> dict[str, Any]:
        """Return JSON types; ``narrowest_resist_mm`` and ``narrowest_open_mm`` are the widths alone."""
        table = asdict(self)
        for kind in ("resist", "open"):
            place = table[f"narrowest_{kind}"]
            table[f"narrowest_{kind}_mm"] = None if place is None else place["width_mm"]
        return table

    def to_json(self) -> str:
        """Return one line of JSON."""
        return json.dumps(self.to_dict(), allow_nan=False)

    @classmethod
    def from_dict(cls, table: dict[str, Any]) -> ArtworkMeasure:
        """Return the measurement in a table that ``to_dict`` made.

        Raises: ValueError when a key is missing, unknown or of the wrong kind.
        """
        values = {
            key: value
            for key, value in table.items()
            if key not in ("narrowest_resist_mm", "narrowest_open_mm")
        }
        names = {field.name for field in fields(cls)}
        if set(values) != names:
            raise ValueError(
                f"not a measurement: keys {sorted(set(values) ^ names)} are missing or unknown"
            )
        for key in ("growth_mm2", "growth_uncertainty_mm2"):
            values[key] = tuple((_number(s), _number(a)) for s, a in values[key])
        for key in ("narrowest_resist", "narrowest_open"):
            values[key] = None if values[key] is None else LinePlace(**values[key])
        values["lost_lines"] = tuple(LinePlace(**line) for line in values["lost_lines"])
        values["warnings"] = tuple(str(text) for text in values["warnings"])
        hints = get_type_hints(cls)
        for key, value in values.items():
            if hints[key] is float:
                values[key] = _number(value)
            elif hints[key] in (int, str, bool) and type(value) is not hints[key]:
                raise ValueError(f"not a measurement: {key} is {value!r}")
        return cls(**values)

    @classmethod
    def from_json(cls, text: str) -> ArtworkMeasure:
        """Return the measurement in a JSON text. Raises: ValueError."""
        try:
            table = json.loads(text)
            if not isinstance(table, dict):
                raise ValueError("not a measurement: no JSON object")
            return cls.from_dict(table)
        except (TypeError, KeyError, AttributeError) as error:
            raise ValueError(f"not a measurement: {error}") from error


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError(f"not a measurement: {value!r} is no finite number")
    return float(value)
