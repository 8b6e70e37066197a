"""Solves a front in a separate process. Standard library only; blocks for seconds."""

from __future__ import annotations

from controller.artwork.process import worker_result
from controller.artwork.workplaces import Workplace
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution

TIME_LIMIT_S = 300.0
"""Source: A4 full of lines takes 20 s for 0.25 mm on a desktop processor, 100 s for 0.8 mm."""

MEMORY_LIMIT_MB = 400
"""Memory that the process may write. Source: measured peak 105 MB for A4 at 600 dpi, 210 MB at 1200
dpi."""


def solve_in_process(
    job: FrontJob, *, time_limit_s: float = TIME_LIMIT_S, memory_limit_mb: int = MEMORY_LIMIT_MB
) -> FrontSolution:
    """Return the etching of an artwork, worked out in a separate process that ends with this call.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or
    memory run out or the process crashes.
    """
    result = worker_result(
        "hardware.rehearsal.level_set.worker",
        {"job": job.to_dict()},
        path=job.path,
        part="hardware.front",
        time_limit_s=time_limit_s,
        memory_limit_mb=memory_limit_mb,
        # A rehearsal commands no bench, and its artwork is this person's or was accepted before.
        workplace=Workplace(accept_unconfined=True),
    )
    return FrontSolution.from_dict(result.value)
