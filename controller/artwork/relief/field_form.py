"""The form of a plate's field, which a page draws at any depth. Standard library only.

A field is one gzip file: the eight bytes of ``MAGIC``, the length of the header in four bytes, the
header as JSON (``FieldHeader``), and three tables, row by row from the top, little-endian:

- distance of each pixel to the nearest edge, 16 bits, signed, in units of 0.001 mm: above 0 in
  resist, below 0 in openings; farther than ``reach_mm`` it is the reach;
- half the width of the resist there, 8 bits, in units of 0.01 mm: an undercut larger than that
  washes it out; 0 in openings, 255 where it is wider than the reach;
- for each value of EVENNESS_GRID, the local current density over its mean on a coarser grid,
  16 bits: exp((code - 32768) / 4096), or 0 where no opening is near.
"""

from __future__ import annotations

import json
import math
import struct
import zlib
from dataclasses import asdict, dataclass, fields
from typing import Any

from controller.artwork.relief.options import PRIOR_EVENNESS
from controller.errors import RefusedError
from controller.physics.places import EVENNESS_GRID, Place

MAGIC = b"BITEFLD1"
DISTANCE_UNIT_MM = 0.001
HALF_WIDTH_UNIT_MM = 0.01
WIDE_CODE = 255
ZERO_CODE, CODES_PER_E = 32_768, 4096.0
MOST_FIELD_PIXELS, MOST_RATIO_PIXELS = 420_000, 16_000
MOST_FIELD_BYTES = 2_000_000
"""Most bytes of a field, unpacked: 3 for each pixel and 22 for each of the coarser grid."""

TAPPED = "tapped"
_LENGTH = struct.Struct("<I")


class DamagedFieldError(ValueError):
    """The bytes are no field."""


@dataclass(frozen=True, slots=True)
class FieldHeader:
    """Sizes of the tables.

    :param reach_mm: distances are known up to here.
    :param origin_x_mm, origin_y_mm: the first pixel's corner, from the artwork's top left corner.
    :param ratio_pixel_mm: side of a pixel of the coarser grid, which has the same corner.
    :param middle_x_mm, middle_y_mm: the middle of the widest floor, from the artwork's corner.
    :param middle_ratios: the ratio there for each value of EVENNESS_GRID.
    :param evenness_grid: the values of evenness that the ratios belong to.
    :param prior_evenness: best estimate before any reading.
    :param sha256: of the artwork's file.
    """

    width_px: int
    height_px: int
    pixel_mm: float
    reach_mm: float
    origin_x_mm: float
    origin_y_mm: float
    ratio_width_px: int
    ratio_height_px: int
    ratio_pixel_mm: float
    middle_x_mm: float
    middle_y_mm: float
    middle_ratios: tuple[float, ...]
    sha256: str
    evenness_grid: tuple[float, ...] = EVENNESS_GRID
    prior_evenness: float = PRIOR_EVENNESS

    @property
    def pixels(self) -> int:
        """Pixels of the fine grid."""
        return self.width_px * self.height_px

    @property
    def ratio_pixels(self) -> int:
        """Pixels of the coarser grid."""
        return self.ratio_width_px * self.ratio_height_px


@dataclass(frozen=True, slots=True)
class Field:
    """A field that was read."""

    header: FieldHeader
    body: bytes

    def place_at(self, x_mm: float, y_mm: float) -> Place:
        """Return a tapped place, its coordinates from the artwork's top left corner.

        Raises: RefusedError for a place beside the plate, or where no opening is near.
        """
        header = self.header
        column = math.floor((x_mm - header.origin_x_mm) / header.pixel_mm)
        row = math.floor((y_mm - header.origin_y_mm) / header.pixel_mm)
        if not (0 <= column < header.width_px and 0 <= row < header.height_px):
            raise RefusedError("artwork.relief.beside", field="at", x_mm=x_mm, y_mm=y_mm)
        (distance,) = struct.unpack_from("<h", self.body, 2 * (row * header.width_px + column))
        step = header.pixel_mm / header.ratio_pixel_mm
        cell_row = min(int((row + 0.5) * step), header.ratio_height_px - 1)
        cell = cell_row * header.ratio_width_px
        cell += min(int((column + 0.5) * step), header.ratio_width_px - 1)
        start = 3 * header.pixels + 2 * cell
        codes = [
            struct.unpack_from("<H", self.body, start + 2 * header.ratio_pixels * number)[0]
            for number in range(len(EVENNESS_GRID))
        ]
        if distance * DISTANCE_UNIT_MM > header.pixel_mm or not all(codes):
            raise RefusedError("artwork.relief.on_resist", field="at", x_mm=x_mm, y_mm=y_mm)
        ratios = tuple(math.exp((code - ZERO_CODE) / CODES_PER_E) for code in codes)
        return Place(TAPPED, x_mm, y_mm, 0.0, ratios)


def head_of(header: FieldHeader) -> bytes:
    """Return what comes before the tables."""
    words = json.dumps(asdict(header), allow_nan=False).encode()
    words += b" " * (-(len(MAGIC) + _LENGTH.size + len(words)) % 8)
    return MAGIC + _LENGTH.pack(len(words)) + words


def unpacked(packed: bytes) -> bytes:
    """Return the bytes of a gzip file, never more than a field has. Raises: DamagedFieldError."""
    unpacker = zlib.decompressobj(wbits=31)
    try:
        plain = unpacker.decompress(packed, MOST_FIELD_BYTES)
    except zlib.error as error:
        raise DamagedFieldError(str(error)) from error
    if not unpacker.eof or unpacker.unused_data:
        raise DamagedFieldError("cut off, or too long")
    return plain


def read_field(packed: bytes) -> Field:
    """Return the field in a gzip file, its sizes checked. Raises: DamagedFieldError."""
    plain = unpacked(packed)
    if not plain.startswith(MAGIC) or len(plain) < len(MAGIC) + _LENGTH.size:
        raise DamagedFieldError("no field")
    (length,) = _LENGTH.unpack_from(plain, len(MAGIC))
    start = len(MAGIC) + _LENGTH.size
    try:
        header = _header(json.loads(plain[start : start + length]))
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise DamagedFieldError("no header") from error
    body = plain[start + length :]
    expected = 3 * header.pixels + 2 * len(EVENNESS_GRID) * header.ratio_pixels
    if len(body) != expected:
        raise DamagedFieldError("tables of other sizes")
    return Field(header, body)


def _header(table: Any) -> FieldHeader:
    names = {part.name for part in fields(FieldHeader)}
    if not isinstance(table, dict) or set(table) != names:
        raise ValueError("other keys")
    table["middle_ratios"] = tuple(map(_above_zero, table["middle_ratios"]))
    if len(table["middle_ratios"]) != len(EVENNESS_GRID):
        raise ValueError("ratios")
    table["evenness_grid"] = tuple(table["evenness_grid"])
    if table["evenness_grid"] != EVENNESS_GRID or table["prior_evenness"] != PRIOR_EVENNESS:
        raise ValueError("evenness")
    for name in ("width_px", "height_px", "ratio_width_px", "ratio_height_px"):
        if type(table[name]) is not int or not 0 < table[name] <= MOST_FIELD_PIXELS:
            raise ValueError(name)
    for name in ("pixel_mm", "reach_mm", "ratio_pixel_mm"):
        _above_zero(table[name])
    for name in ("origin_x_mm", "origin_y_mm", "middle_x_mm", "middle_y_mm"):
        if type(table[name]) is not float or not math.isfinite(table[name]):
            raise ValueError(name)
    if not isinstance(table["sha256"], str):
        raise TypeError("sha256")
    return FieldHeader(**table)


def _above_zero(value: Any) -> float:
    if type(value) is not float or not 0.0 < value < math.inf:
        raise ValueError("not above zero")
    return value
