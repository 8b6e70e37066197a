"""Measures a file in a separate process. Standard library only; any thread may call it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from controller.artwork.confinement import missing
from controller.artwork.options import MeasureOptions
from controller.artwork.process import nonsense, worker_result
from controller.artwork.result import ArtworkMeasure, MeasureFailedError, unreadable
from controller.artwork.workplaces import HERE, Workplace
from controller.errors import BiteclockError, RefusedError
from controller.texts import Message

TIME_LIMIT_S = 60.0
PREVIEW_TIME_LIMIT_S = 45.0
"""Longest time for a small file, and for a small file's preview.

Source: A4 at 1200 dpi takes 1.4 to 3 s on a desktop processor; the smallest Pi is taken to be ten
times slower. A preview is drawn of a file that was measured in time before.
"""

MOST_TIME_S = 180.0
MOST_PREVIEW_TIME_S = 150.0
TIME_PER_KB_S = 0.5
"""A larger file may need longer, up to these: an SVG drawing of 290 kB takes 11 s on a desktop
processor. A few hundred bytes that keep a decoder busy must not hold the one seat as long."""

MEMORY_LIMIT_MB = 400
"""Memory that the process may write. Source: measured peaks of 269 MB for A4 at 1200 dpi, 285 MB
for 40 million pixels in colour, 290 MB for random noise on A4 at 1200 dpi."""

SERVICE_VARIABLE = "BITECLOCK_ARTWORK_SOCKET"
"""The environment variable that names the socket of the system's artwork service."""


def measure(
    path: Path,
    options: MeasureOptions,
    *,
    time_limit_s: float | None = None,
    memory_limit_mb: int = MEMORY_LIMIT_MB,
    preview_path: Path | None = None,
    workplace: Workplace = HERE,
) -> ArtworkMeasure:
    """Return the measurement of a file, made in a separate process that ends with this call.

    A measurement that was made unconfined has a warning.

    :param time_limit_s: by the size of the file when it is not given.
    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or
    memory run out, the process crashes, or it can be confined nowhere and must be.
    """
    if time_limit_s is None:
        time_limit_s = time_limit_of_s(path, is_preview=preview_path is not None)
    found = worker_result(
        "controller.artwork.worker",
        {"options": options.to_dict()},
        path=path,
        part="artwork.measuring",
        time_limit_s=time_limit_s,
        memory_limit_mb=memory_limit_mb,
        with_picture=preview_path is not None,
        workplace=workplace,
    )
    try:
        result = ArtworkMeasure.from_dict(found.value)
    except (RefusedError, KeyError, TypeError, AttributeError) as error:
        raise nonsense(path) from error
    if result.sha256 != sha256_of(path):
        raise nonsense(path)
    if preview_path is not None:
        _save(found.picture, preview_path, path)
    if found.unconfined is None:
        return result
    note = Message("artwork.worker.ran_unconfined", {"reason": found.unconfined})
    return replace(result, warnings=(*result.warnings, note))


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, which names its folder: a worker's word for it is no proof.

    Raises: RefusedError when the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error


def time_limit_of_s(path: Path, *, is_preview: bool) -> float:
    """Return how long measuring a file may take, s. A file that cannot be read is small."""
    try:
        size_kb = path.stat().st_size / 1e3
    except OSError:
        size_kb = 0.0
    least_s, most_s = (
        (PREVIEW_TIME_LIMIT_S, MOST_PREVIEW_TIME_S) if is_preview else (TIME_LIMIT_S, MOST_TIME_S)
    )
    return min(most_s, least_s + TIME_PER_KB_S * size_kb)


def workplace_of(environment: Mapping[str, str], *, accept_unconfined: bool) -> Workplace:
    """Return the system's artwork service when the environment names it, else a process here."""
    service = environment.get(SERVICE_VARIABLE)
    return Workplace(None if service is None else Path(service), accept_unconfined)


def workplace_notes(workplace: Workplace) -> tuple[Message, ...]:
    """Return what a person should know about the confinement of workers; empty when all is well.

    A look at the machine: each worker proves it for itself.
    """
    if workplace.service is not None and not workplace.service.is_socket():
        reason: Message | BiteclockError | None = Message("artwork.worker.no_socket")
    else:
        reason = missing() if workplace.service is None else None
    if reason is None:
        return ()
    message = reason if isinstance(reason, Message) else reason.message
    is_accepted = workplace.accept_unconfined and workplace.service is None
    key = "artwork.worker.accepted_note" if is_accepted else "artwork.worker.refused_note"
    return (Message(key, {"reason": message}),)


def _save(picture: bytes, preview_path: Path, path: Path) -> None:
    """Write the preview. Raises: MeasureFailedError."""
    if not picture:
        raise nonsense(path)
    try:
        preview_path.write_bytes(picture)
    except OSError as error:
        raise MeasureFailedError(
            "artwork.measuring.not_saved", name=path.name, reason=error.strerror or str(error)
        ) from error
