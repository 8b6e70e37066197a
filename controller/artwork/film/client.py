"""Makes a film in a separate process. Standard library only; any thread may call it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from controller.artwork.client import sha256_of, time_limit_of_s
from controller.artwork.exchange import Expected
from controller.artwork.film.options import MOST_FILM_BYTES, FilmOptions
from controller.artwork.film.result import FilmResult
from controller.artwork.options import MeasureOptions
from controller.artwork.process import nonsense, worker_result
from controller.artwork.workplaces import HERE, Workplace
from controller.errors import RefusedError
from controller.texts import Message

MEMORY_LIMIT_MB = 430
"""Memory that the process may write. Source: measured peak of 370 MB for A4 at 600 dpi full of
lines of 0.3 mm (tests/README.md)."""

TIME_FACTOR, MOST_TIME_S = 2.0, 190.0
"""A film may take this many times as long as a measurement, and no longer than the service lets a
worker run (systemd/biteclock-artwork@.service)."""

_STARTS = {"pdf": b"%PDF-", "png": b"\x89PNG\r\n\x1a\n", "svg": b"<svg "}


def make_film(
    path: Path,
    options: MeasureOptions,
    film: FilmOptions,
    *,
    memory_limit_mb: int = MEMORY_LIMIT_MB,
    workplace: Workplace = HERE,
) -> tuple[FilmResult, bytes]:
    """Return a film's figures and the film, made in a process that ends with this call.

    A film that was made unconfined has a warning.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or
    memory run out, the process crashes, or it can be confined nowhere and must be.
    """
    found = worker_result(
        "controller.artwork.worker",
        {"options": options.to_dict(), "film": film.to_dict()},
        path=path,
        part="artwork.film",
        time_limit_s=min(MOST_TIME_S, TIME_FACTOR * time_limit_of_s(path, is_preview=False)),
        memory_limit_mb=memory_limit_mb,
        with_picture=True,
        expected=Expected(MOST_FILM_BYTES, _STARTS[film.file_format]),
        workplace=workplace,
    )
    try:
        result = FilmResult.from_dict(found.value)
    except (RefusedError, KeyError, TypeError, AttributeError) as error:
        raise nonsense(path) from error
    if result.sha256 != sha256_of(path) or not found.picture:
        raise nonsense(path)
    if found.unconfined is None:
        return result, found.picture
    note = Message("artwork.worker.ran_unconfined", {"reason": found.unconfined})
    return replace(result, warnings=(*result.warnings, note)), found.picture
