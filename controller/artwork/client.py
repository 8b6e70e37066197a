"""Measures a file in a separate process. Standard library only; any thread may call it."""

from __future__ import annotations

from pathlib import Path

from controller.artwork.options import MeasureOptions
from controller.artwork.process import worker_result
from controller.artwork.result import ArtworkMeasure

TIME_LIMIT_S = 180.0
"""Source: A4 at 1200 dpi takes 1.4 to 3 s on a desktop processor; the smallest Pi is taken to be
ten times slower."""

MEMORY_LIMIT_MB = 400
"""Memory that the process may write. Source: measured peaks of 269 MB for A4 at 1200 dpi, 285 MB
for 40 million pixels in colour, 290 MB for random noise on A4 at 1200 dpi."""


def measure(
    path: Path,
    options: MeasureOptions,
    *,
    time_limit_s: float = TIME_LIMIT_S,
    memory_limit_mb: int = MEMORY_LIMIT_MB,
    preview_path: Path | None = None,
) -> ArtworkMeasure:
    """Return the measurement of a file, made in a separate process that ends with this call.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or
    memory run out or the process crashes.
    """
    request = {
        "path": str(path.resolve()),
        "options": options.to_dict(),
        "preview_path": None if preview_path is None else str(preview_path.resolve()),
    }
    result = worker_result(
        "controller.artwork.worker",
        request,
        path=path,
        part="artwork.measuring",
        time_limit_s=time_limit_s,
        memory_limit_mb=memory_limit_mb,
    )
    return ArtworkMeasure.from_dict(result)
