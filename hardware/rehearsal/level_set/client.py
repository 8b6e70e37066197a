"""Has a front solved in a process of its own. Standard library only; blocks for seconds."""

from __future__ import annotations

import math

from controller.artwork.process import run_worker
from controller.artwork.result import MeasureFailedError
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution

TIME_LIMIT_S = 300.0
"""Source: A4 full of lines takes 20 s for 0.25 mm on a desktop processor, 100 s for 0.8 mm."""

MEMORY_LIMIT_MB = 400
"""Memory that the process may write. Source: measured peak 105 MB for A4 at 600 dpi, 210 MB at 1200 dpi."""


def solve_in_process(
    job: FrontJob, *, time_limit_s: float = TIME_LIMIT_S, memory_limit_mb: int = MEMORY_LIMIT_MB
) -> FrontSolution:
    """Return the etching of an artwork, worked out in a process of its own that is started by exec and ends with this call.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or memory run out or it crashes.
    """
    request = {
        "job": job.to_dict(),
        "memory_limit_mb": memory_limit_mb,
        "cpu_limit_s": math.ceil(time_limit_s) + 1,
    }
    end = run_worker("hardware.rehearsal.level_set.worker", request, time_limit_s)
    if "result" in end.reply and not end.is_late:
        return FrontSolution.from_dict(end.reply["result"])
    end.refuse()
    if end.is_late:
        cause = f"it took longer than {time_limit_s:g} s"
    elif end.is_short_of_memory:
        cause = f"it needs more than {memory_limit_mb} MB of memory"
    else:
        cause = end.cause
    raise MeasureFailedError(
        f"the front on {job.path.name} could not be worked out ({cause}): rehearse a piece of it, or with area and edge length"
    )
