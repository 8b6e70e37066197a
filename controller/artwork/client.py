"""Has a file measured in a process of its own. Standard library only; safe to call from any thread of the daemon."""

from __future__ import annotations

import math
from pathlib import Path

from controller.artwork.options import MeasureOptions
from controller.artwork.process import run_worker
from controller.artwork.result import ArtworkMeasure, MeasureFailedError

TIME_LIMIT_S = 180.0
"""Source: A4 at 1200 dpi takes 1.4 to 3 s on a desktop processor; the smallest Pi is taken to be ten times slower."""

MEMORY_LIMIT_MB = 400
"""Memory the process may write. Source: measured peak 269 MB for A4 at 1200 dpi, 285 MB for 40 million pixels in colour, 290 MB
for random noise on A4 at 1200 dpi."""


def measure(
    path: Path,
    options: MeasureOptions,
    *,
    time_limit_s: float = TIME_LIMIT_S,
    memory_limit_mb: int = MEMORY_LIMIT_MB,
    preview_path: Path | None = None,
) -> ArtworkMeasure:
    """Return the measurement of a file, made in a process of its own that is started by exec and ends with this call.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or memory run out or it crashes.
    """
    request = {
        "path": str(path.resolve()),
        "options": options.to_dict(),
        "preview_path": None if preview_path is None else str(preview_path.resolve()),
        "memory_limit_mb": memory_limit_mb,
        "cpu_limit_s": math.ceil(time_limit_s) + 1,
    }
    end = run_worker("controller.artwork.worker", request, time_limit_s)
    if end.is_late:
        raise MeasureFailedError(
            f"measuring {path.name} took longer than {time_limit_s:g} s: save the artwork at 600 dpi or as black and white, "
            "or allow more time"
        )
    if "result" in end.reply:
        return ArtworkMeasure.from_dict(end.reply["result"])
    end.refuse()
    if end.is_short_of_memory:
        raise MeasureFailedError(
            f"measuring {path.name} needs more than {memory_limit_mb} MB of memory: save the artwork at a lower resolution, or "
            "as 8-bit grey or black and white"
        )
    raise MeasureFailedError(
        f"measuring {path.name} failed ({end.cause}): save the artwork anew as PNG or PDF and try again"
    )
