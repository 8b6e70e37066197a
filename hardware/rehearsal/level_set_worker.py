"""The solver's process: one JSON job on standard input, one JSON answer on standard output.

Request: ``job``, ``memory_limit_mb``, ``cpu_limit_s``. Answers and exit statuses are those of controller/artwork/worker.py.
"""

from __future__ import annotations

import json
import sys
import traceback
import warnings
from typing import Any

from controller.artwork.worker import EXIT_CRASHED, EXIT_MEASURED, EXIT_MEMORY, EXIT_REFUSED, confine
from controller.errors import RefusedError
from hardware.rehearsal.level_set_job import FrontJob


def answer(request: dict[str, Any]) -> tuple[dict[str, Any], int]:
    """Return the answer to a request and the exit status."""
    try:
        job = FrontJob.from_dict(request["job"])
        from hardware.rehearsal.level_set import solve_front

        return {"result": solve_front(job).to_dict()}, EXIT_MEASURED
    except RefusedError as error:
        return {"refused": {"message": str(error), "field": error.field, "limit": error.limit}}, EXIT_REFUSED
    except MemoryError:
        return {"failed": "memory"}, EXIT_MEMORY
    except Exception as error:
        traceback.print_exc()
        return {"failed": "crash", "error": f"{type(error).__name__}: {error}"}, EXIT_CRASHED


def main() -> int:
    """Answer the request on standard input."""
    request = json.load(sys.stdin)
    confine(request["memory_limit_mb"], request["cpu_limit_s"])
    warnings.simplefilter("ignore")
    reply, status = answer(request)
    json.dump(reply, sys.stdout, allow_nan=False)
    sys.stdout.flush()
    return status


if __name__ == "__main__":
    sys.exit(main())
