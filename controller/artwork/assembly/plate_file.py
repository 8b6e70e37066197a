"""The plate file: a ZIP file of artworks and of their places. Standard library only.

``plate.json`` holds ``plate`` (the version of this form), ``width_mm``, ``height_mm`` and
``pieces``: for each its ``name``, ``file`` (a member of the ZIP file), ``x_mm``, ``y_mm``,
``degrees`` clockwise, and ``options``, as MeasureOptions has them, for reading it. The artworks are
stored as they are, uncompressed, each under its hash. The same pieces give the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from controller.artwork import limits
from controller.artwork.assembly.layout import check_count
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.options import MeasureOptions
from controller.artwork.result import unreadable
from controller.errors import RefusedError

READING_OPTIONS = (
    "dpi",
    "width_mm",
    "page",
    "invert",
    "plate_width_mm",
    "plate_height_mm",
    "margin_mm",
)
"""The options that each piece has for itself."""

MEDIA_TYPE = "application/zip"

_VERSION = 1
_LAYOUT = "plate.json"
_MOST_LAYOUT_BYTES = 200_000
_MOST_NAME = 120
_LONG_AGO = (1980, 1, 1, 0, 0, 0)
"""The same bytes for the same pieces. Source: the earliest date of a ZIP file (APPNOTE, 4.4.6)."""


@dataclass(frozen=True, slots=True)
class PieceEntry:
    """A piece as the plate file names it.

    :param file: name of its artwork in the ZIP file: the hash of its bytes.
    :param x_mm, y_mm, degrees: as ``layout.PlacedPiece``.
    :param options: how to read it; no copies and no depth.
    """

    name: str
    file: str
    x_mm: float
    y_mm: float
    degrees: float
    options: MeasureOptions


@dataclass(frozen=True)
class Plate:
    """What a plate file holds."""

    width_mm: float
    height_mm: float
    pieces: tuple[PieceEntry, ...]
    source: ReadableFile

    def artwork(self, piece: PieceEntry) -> ReadableFile:
        """Return the artwork of a piece. Raises: RefusedError."""
        return Member(piece.name, _read(self.source, piece.file, limits.MAX_FILE_BYTES))


class Member:
    """A file of a plate file, in memory. It is read as ``loading.readable.ReadableFile``."""

    def __init__(self, name: str, data: bytes) -> None:
        self.name = name
        self._data = data

    def __str__(self) -> str:
        return self.name

    def open(self, _mode: Literal["rb"], /) -> io.BufferedReader:
        """Return a reader at the start of the file."""
        return io.BufferedReader(io.BytesIO(self._data))

    def read_bytes(self) -> bytes:
        """Return the whole file."""
        return self._data

    def stat(self) -> os.stat_result:
        """Return the size; nothing else is known."""
        return os.stat_result((0, 0, 0, 0, 0, 0, len(self._data), 0, 0, 0))


def entry_of(
    file: Path, name: str, place: tuple[float, float, float], options: MeasureOptions
) -> PieceEntry:
    """Return the entry of a file. Raises: RefusedError when it cannot be read."""
    try:
        with file.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(file, error) from error
    return PieceEntry(name[:_MOST_NAME], digest, *place, options)


def write_plate(
    target: Path, size_mm: tuple[float, float], pieces: Sequence[tuple[PieceEntry, Path]]
) -> None:
    """Write a plate file.

    :param size_mm: width and height of the sheet.
    :param pieces: each with the file that holds its artwork.
    Raises: RefusedError when a file cannot be read or the whole is too large, OSError.
    """
    check_count(len(pieces))
    layout = {
        "plate": _VERSION,
        "width_mm": size_mm[0],
        "height_mm": size_mm[1],
        "pieces": [_to_json(entry) for entry, _ in pieces],
    }
    files = {entry.file: path for entry, path in pieces}
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo(_LAYOUT, _LONG_AGO), json.dumps(layout, indent=1))
        for name in sorted(files):
            try:
                data = files[name].read_bytes()
            except OSError as error:
                raise unreadable(files[name], error) from error
            archive.writestr(zipfile.ZipInfo(name, _LONG_AGO), data)
    size_mb = target.stat().st_size / 1e6
    if size_mb > limits.MAX_FILE_BYTES / 1e6:
        raise RefusedError(
            "artwork.plate.file_too_large",
            field="pieces",
            size_mb=size_mb,
            limit_mb=limits.MAX_FILE_BYTES / 1e6,
        )


def read_plate(source: ReadableFile) -> Plate:
    """Return what a plate file holds, each value checked. Raises: RefusedError."""
    body = _read(source, _LAYOUT, _MOST_LAYOUT_BYTES)
    try:
        layout = json.loads(body)
        if layout["plate"] != _VERSION:
            raise RefusedError("artwork.plate.version", field="file", name=source.name)
        pieces = tuple(map(_from_json, layout["pieces"]))
        plate = Plate(_number(layout["width_mm"]), _number(layout["height_mm"]), pieces, source)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        if isinstance(error, RefusedError):
            raise
        raise _damaged(source, error) from error
    check_count(len(pieces))
    return plate


def _to_json(entry: PieceEntry) -> dict[str, Any]:
    options = entry.options.to_dict()
    return {
        "name": entry.name,
        "file": entry.file,
        "x_mm": entry.x_mm,
        "y_mm": entry.y_mm,
        "degrees": entry.degrees,
        "options": {name: options[name] for name in READING_OPTIONS},
    }


def _from_json(values: dict[str, Any]) -> PieceEntry:
    options = values["options"]
    if set(options) - set(READING_OPTIONS):
        raise ValueError("unknown options")
    name, file = values["name"], values["file"]
    if not isinstance(name, str) or not isinstance(file, str):
        raise TypeError("a name is no text")
    return PieceEntry(
        "".join(it if it.isprintable() else " " for it in name[:_MOST_NAME]),
        file,
        _number(values["x_mm"]),
        _number(values["y_mm"]),
        _number(values["degrees"]),
        MeasureOptions.from_dict(options),
    )


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("not a finite number")
    return float(value)


def _read(source: ReadableFile, name: str, most_bytes: int) -> bytes:
    """Return a member of the ZIP file, which must be stored as it is. Raises: RefusedError."""
    try:
        with source.open("rb") as opened, zipfile.ZipFile(opened) as archive:
            info = archive.getinfo(name)
            # Stored bytes cannot grow when they are read, whatever the file says of itself.
            if info.compress_type != zipfile.ZIP_STORED or info.file_size > most_bytes:
                raise ValueError(f"{info.file_size} bytes")
            return archive.read(info)
    except RefusedError:
        raise
    except (
        zipfile.BadZipFile,
        OSError,
        ValueError,
        KeyError,
        NotImplementedError,
        RuntimeError,
        EOFError,
    ) as error:
        raise _damaged(source, error) from error


def _damaged(source: ReadableFile, error: Exception) -> RefusedError:
    return RefusedError(
        "artwork.plate.damaged", field="file", name=source.name, error=ascii(str(error))[:200]
    )
