"""The solver's process: one JSON job on standard input, one JSON answer on standard output.

Request: ``job``, ``memory_limit_mb``, ``cpu_limit_s``. Answers and exit statuses are those of
controller/artwork/worker.py.
"""

from __future__ import annotations

import sys
from typing import Any

from controller.artwork.worker import serve
from hardware.rehearsal.level_set.job import FrontJob


def solved(request: dict[str, Any]) -> dict[str, Any]:
    """Return the front that a request asks for. Raises: RefusedError."""
    job = FrontJob.from_dict(request["job"])
    from hardware.rehearsal.level_set.solver import solve_front

    return solve_front(job).to_dict()


if __name__ == "__main__":
    sys.exit(serve(solved))
