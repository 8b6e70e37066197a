"""The measuring process: one request on the socket at standard input, one answer there.

``controller/artwork/exchange.py`` describes both. Request: ``name`` of the file, ``options``,
``film`` or ``relief`` for one of these in place of a measurement, ``with_picture``,
``accept_unconfined``, ``memory_limit_mb``, ``cpu_limit_s``. Replies, each with its exit status:
``{"result", "unconfined"}`` 0, the latter null or a message;
``{"failed": "crash", "error": ...}`` 1; ``{"refused": {"key", "values", "field"}}`` 2, the key and
the values of a message; ``{"failed": "memory"}`` 3; ``{"failed": "unconfined", "reason"}`` 4.
"""

from __future__ import annotations

import fcntl
import io
import os
import signal
import socket
import sys
import traceback
import warnings
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from controller.artwork.confinement import UnconfinedError, confine, limit
from controller.artwork.exchange import receive_request, write_answer
from controller.artwork.loading.readable import OpenFile, ReadableFile
from controller.artwork.loading.sniff import sniff
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError

EXIT_MEASURED, EXIT_CRASHED, EXIT_REFUSED, EXIT_MEMORY, EXIT_UNCONFINED = range(5)

_NICENESS = 10
"""The loop of a running etch comes first."""

_QUOTED_CHARACTERS = 300

Work = Callable[[io.BytesIO | None], dict[str, Any]]
"""Returns the result as JSON values, and writes the picture if there is a place for it."""

Prepare = Callable[[dict[str, Any], ReadableFile], Work]
"""Checks a request and imports all that its work needs, since nothing can be imported later.

It may look at the first bytes of the file, and hands them to no library. Raises: RefusedError.
"""


def measuring(request: dict[str, Any], file: ReadableFile) -> Work:
    """Return the measuring that a request asks for, ready to run confined. Raises: RefusedError."""
    options = MeasureOptions.from_dict(request["options"])
    kind = sniff(file)
    from controller.artwork.measuring.measure import measure_file
    from controller.artwork.measuring.preload import preload

    preload(kind)
    if "film" in request:
        return _filming(request["film"], options, file)
    if "relief" in request:
        return _relief(request["relief"], options, file)
    return lambda picture: measure_file(file, options, picture).to_dict()


def _filming(wanted: dict[str, Any], options: MeasureOptions, file: ReadableFile) -> Work:
    """Return the making of a film, ready to run confined. Raises: RefusedError."""
    from controller.artwork.film.make import film_file
    from controller.artwork.film.options import FilmOptions

    film = FilmOptions.from_dict(wanted)
    return lambda out: film_file(file, options, film, out)


def _relief(wanted: dict[str, Any], options: MeasureOptions, file: ReadableFile) -> Work:
    """Return the making of a relief, ready to run confined. Raises: RefusedError."""
    from controller.artwork.relief.make import relief_file
    from controller.artwork.relief.options import ReliefOptions

    relief = ReliefOptions.from_dict(wanted)
    return lambda picture: relief_file(file, options, relief, picture)


def answer(work: Callable[[], dict[str, Any]]) -> tuple[dict[str, Any], int]:
    """Return a worker's reply, and its exit status.

    :param work: returns the reply of a success, or raises.
    """
    try:
        return work(), EXIT_MEASURED
    except RefusedError as error:
        return {"refused": {**_short(error.message.to_json()), "field": error.field}}, EXIT_REFUSED
    except UnconfinedError as error:
        return {"failed": "unconfined", "reason": error.message.to_json()}, EXIT_UNCONFINED
    except MemoryError:
        return {"failed": "memory"}, EXIT_MEMORY
    except Exception as error:
        traceback.print_exc()
        return {
            "failed": "crash",
            "error": _short(f"{type(error).__name__}: {error}"),
        }, EXIT_CRASHED


def _short(value: Any) -> Any:
    """Return JSON values with long texts cut: a message may quote a file of any kind."""
    if isinstance(value, str):
        return value if len(value) <= _QUOTED_CHARACTERS else value[:_QUOTED_CHARACTERS] + "..."
    if isinstance(value, dict):
        return {name: _short(part) for name, part in value.items()}
    return value


def serve(prepare: Prepare) -> int:
    """Answer the one request, within its limits, and return the exit status."""
    connection = socket.socket(fileno=0)
    request, (file, errors) = receive_request(connection)
    os.dup2(errors, 2)
    _end_with(connection)
    limit(request["memory_limit_mb"], request["cpu_limit_s"])
    os.nice(_NICENESS)
    # Each thread would map more memory, and no matrix is multiplied here.
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    # The imaging library warns of damaged files; what matters of that is refused or reported.
    warnings.simplefilter("ignore")
    picture = io.BytesIO() if request["with_picture"] else None
    reply, status = answer(lambda: _done(prepare, request, file, picture))
    signal.signal(signal.SIGIO, signal.SIG_IGN)  # sent when the reader makes room, too
    is_whole = picture is not None and status == EXIT_MEASURED
    write_answer(connection.fileno(), reply, picture.getvalue() if is_whole and picture else b"")
    return status


def _done(
    prepare: Prepare, request: dict[str, Any], descriptor: int, picture: io.BytesIO | None
) -> dict[str, Any]:
    """Return the reply of a success, worked out in confinement."""
    work = prepare(request, OpenFile(descriptor, request["name"]))
    unconfined = None
    try:
        confine()
    except UnconfinedError as error:
        if not request["accept_unconfined"]:
            raise
        unconfined = error.message.to_json()
    return {"result": work(picture), "unconfined": unconfined}


def _end_with(connection: socket.socket) -> None:
    """Let the system end this process when the other side closes the connection.

    The daemon may belong to another user, and then it cannot kill this process.
    """
    fcntl.fcntl(connection, fcntl.F_SETOWN, os.getpid())
    fcntl.fcntl(connection, fcntl.F_SETFL, fcntl.fcntl(connection, fcntl.F_GETFL) | os.O_ASYNC)
    with suppress(BlockingIOError):
        if not connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT):
            sys.exit(EXIT_CRASHED)  # it was closed before the system was asked to watch it


if __name__ == "__main__":
    sys.exit(serve(measuring))
