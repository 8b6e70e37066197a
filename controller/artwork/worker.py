"""The measuring process: one JSON request on standard input, one JSON answer on standard output.

Request: ``path``, ``options``, ``preview_path`` (or null), ``memory_limit_mb``, ``cpu_limit_s``.
Answers, each with its exit status: ``{"result": ...}`` 0; ``{"failed": "crash", "error": ...}`` 1;
``{"refused": {"key", "values", "field"}}`` 2, the key and the values of a message;
``{"failed": "memory"}`` 3.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError

EXIT_MEASURED, EXIT_CRASHED, EXIT_REFUSED, EXIT_MEMORY = 0, 1, 2, 3

_NICENESS = 10
"""The loop of a running etch comes first."""

_MOST_WRITTEN_BYTES = 64_000_000
"""The preview takes less than 1 MB. A library that floods a file is stopped here."""


def confine(memory_limit_mb: int, cpu_limit_s: int) -> None:
    """Limit this process. Call it before anything large is imported.

    Memory is limited twice: written memory (data) to ``memory_limit_mb``, and the address space
    to 600 MB more, for the libraries' mappings.
    """
    data = memory_limit_mb * 1_000_000
    _lower(resource.RLIMIT_DATA, data)
    _lower(resource.RLIMIT_AS, data + 600_000_000)
    # The first limit sends a signal that names the reason; the second one kills.
    _lower(resource.RLIMIT_CPU, cpu_limit_s, cpu_limit_s + 1)
    _lower(resource.RLIMIT_FSIZE, _MOST_WRITTEN_BYTES)
    _lower(resource.RLIMIT_CORE, 0)
    os.nice(_NICENESS)
    # Each thread would map more memory, and no matrix is multiplied here.
    os.environ["OPENBLAS_NUM_THREADS"] = "1"


def _lower(what: int, limit: int, hard_limit: int | None = None) -> None:
    _, hard = resource.getrlimit(what)
    wanted = limit if hard_limit is None else hard_limit
    ceiling = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    resource.setrlimit(what, (min(limit, ceiling), ceiling))


def measured(request: dict[str, Any]) -> dict[str, Any]:
    """Return the measurement that a request asks for. Raises: RefusedError."""
    options = MeasureOptions.from_dict(request["options"])
    from controller.artwork.measuring.measure import measure_file

    preview = request["preview_path"]
    return measure_file(
        Path(request["path"]), options, None if preview is None else Path(preview)
    ).to_dict()


def answer(
    work: Callable[[dict[str, Any]], dict[str, Any]], request: dict[str, Any]
) -> tuple[dict[str, Any], int]:
    """Return a worker's answer to a request, and its exit status.

    :param work: returns the result as JSON values, or raises.
    """
    try:
        return {"result": work(request)}, EXIT_MEASURED
    except RefusedError as error:
        return {"refused": {**error.message.to_json(), "field": error.field}}, EXIT_REFUSED
    except MemoryError:
        return {"failed": "memory"}, EXIT_MEMORY
    except Exception as error:
        traceback.print_exc()
        return {"failed": "crash", "error": f"{type(error).__name__}: {error}"}, EXIT_CRASHED


def serve(work: Callable[[dict[str, Any]], dict[str, Any]]) -> int:
    """Answer the one request on standard input, within its limits, and return the exit status."""
    request = json.load(sys.stdin)
    confine(request["memory_limit_mb"], request["cpu_limit_s"])
    # The imaging library warns of damaged files; what matters of that is refused or reported.
    warnings.simplefilter("ignore")
    reply, status = answer(work, request)
    json.dump(reply, sys.stdout, allow_nan=False)
    sys.stdout.flush()
    return status


if __name__ == "__main__":
    sys.exit(serve(measured))
