"""The solver's process: one job on the socket at standard input, one answer there.

Request: ``job``, and what controller/artwork/worker.py needs. Replies and exit statuses are those
of that module.
"""

from __future__ import annotations

import sys
from typing import Any

from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.sniff import sniff
from controller.artwork.worker import Work, serve
from hardware.rehearsal.level_set.job import FrontJob


def solving(request: dict[str, Any], file: ReadableFile) -> Work:
    """Return the solving that a request asks for, ready to run confined. Raises: RefusedError."""
    job = FrontJob.from_dict(request["job"])
    kind = sniff(file)
    from controller.artwork.measuring.preload import preload
    from hardware.rehearsal.level_set.solver import solve_front

    preload(kind)
    return lambda _picture: solve_front(job, file).to_dict()


if __name__ == "__main__":
    sys.exit(serve(solving))
