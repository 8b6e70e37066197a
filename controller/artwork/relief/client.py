"""Has the worker make a relief. Standard library only; any thread may call it."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from controller.artwork.client import MEMORY_LIMIT_MB, sha256_of, time_limit_of_s
from controller.artwork.exchange import PREVIEW, Expected
from controller.artwork.options import MeasureOptions
from controller.artwork.process import WorkerResult, nonsense, worker_result
from controller.artwork.relief.field_form import DamagedFieldError, Field, read_field
from controller.artwork.relief.options import FIELD, ReliefOptions
from controller.artwork.result import MeasureFailedError
from controller.artwork.workplaces import HERE, Workplace
from controller.physics.bath_field import BathField
from controller.texts import Message


@dataclass(frozen=True, slots=True)
class Relief:
    """The figures of a relief. Lengths in mm, from the artwork's top left corner.

    :param depth_mm: target depth in the middle of the widest floor.
    :param deepest_mm: depth of the deepest place.
    :param shallowest_open_mm: depth of the shallowest open floor.
    :param washed_out_mm2: area of the resist lines that have lost their whole surface.
    :param pixel_mm: side of a pixel.
    :param mm_per_level, offset_mm: of a height map: height = value * mm_per_level + offset_mm.
    :param unconfined: why the worker was not confined, or None.
    """

    depth_mm: float
    etch_factor: float
    evenness: float
    deepest_mm: float
    shallowest_open_mm: float
    washed_out_mm2: float
    pixel_mm: float
    width_px: int
    height_px: int
    origin_x_mm: float
    origin_y_mm: float
    sha256: str
    mm_per_level: float | None = None
    offset_mm: float | None = None
    unconfined: Message | None = None


_WHOLE, _TEXT = ("width_px", "height_px"), "sha256"
_PNG = b"\x89PNG"
_FIELD = Expected(start=b"\x1f\x8b\x08")
"""A field is compressed with gzip."""

_ANY_DEPTH_MM = 0.1
"""A field holds for every depth."""

TIME_FACTOR = 2.0
"""A relief may take this many times as long as a preview: the currents are computed, too."""


def relief(
    path: Path,
    reading: MeasureOptions,
    options: ReliefOptions,
    picture_path: Path,
    *,
    memory_limit_mb: int = MEMORY_LIMIT_MB,
    workplace: Workplace = HERE,
) -> Relief:
    """Write the relief of a file to ``picture_path`` and return its figures.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or
    memory run out, the process crashes, or it must not run here.
    """
    found = _asked(path, reading, options, memory_limit_mb, workplace)
    result = _read(found.value, path)
    if result.sha256 != sha256_of(path) or not found.picture.startswith(_PNG):
        raise nonsense(path)
    _save(found.picture, picture_path, path)
    return replace(result, unconfined=found.unconfined)


def plate_field(
    path: Path,
    reading: MeasureOptions,
    bath: BathField,
    field_path: Path,
    *,
    memory_limit_mb: int = MEMORY_LIMIT_MB,
    workplace: Workplace = HERE,
) -> Field:
    """Write the field of a file to ``field_path``, checked, and return it.

    Raises: as ``relief``.
    """
    options = ReliefOptions(FIELD, _ANY_DEPTH_MM, bath=bath)
    found = _asked(path, reading, options, memory_limit_mb, workplace)
    try:
        field = read_field(found.picture)
    except DamagedFieldError as error:
        raise nonsense(path) from error
    if field.header.sha256 != sha256_of(path):
        raise nonsense(path)
    _save(found.picture, field_path, path)
    return field


def _asked(
    path: Path,
    reading: MeasureOptions,
    options: ReliefOptions,
    memory_limit_mb: int,
    workplace: Workplace,
) -> WorkerResult:
    return worker_result(
        "controller.artwork.worker",
        {"options": reading.to_dict(), "relief": options.to_dict()},
        path=path,
        part="artwork.measuring",
        time_limit_s=TIME_FACTOR * time_limit_of_s(path, is_preview=True),
        memory_limit_mb=memory_limit_mb,
        with_picture=True,
        expected=_FIELD if options.kind == FIELD else PREVIEW,
        workplace=workplace,
    )


def _save(picture: bytes, place: Path, path: Path) -> None:
    """Write the answer. Raises: MeasureFailedError."""
    try:
        place.write_bytes(picture)
    except OSError as error:
        reason = error.strerror or str(error)
        raise MeasureFailedError(
            "artwork.measuring.not_saved", name=path.name, reason=reason
        ) from error


def _read(table: Any, path: Path) -> Relief:
    """Return the figures, each checked: a worker may be in the hands of its file."""
    known = {part.name for part in fields(Relief)} - {"unconfined"}
    if not isinstance(table, dict) or not set(table) <= known:
        raise nonsense(path)
    for name, value in table.items():
        kind = int if name in _WHOLE else str if name == _TEXT else float
        if type(value) is not kind or (isinstance(value, float) and not math.isfinite(value)):
            raise nonsense(path)
    try:
        return Relief(**table)
    except TypeError as error:
        raise nonsense(path) from error
