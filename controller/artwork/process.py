"""Runs a worker module in a separate process and returns its result.

Standard library only. Any thread may call it.
"""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from controller.artwork.result import MeasureFailedError
from controller.errors import RefusedError
from controller.texts import Message

_KEPT_ERROR_BYTES = 2000
_SHOWN_ERROR_CHARACTERS = 200


@dataclass(frozen=True, slots=True)
class WorkerEnd:
    """How a worker ended.

    :param status: exit status, negative for a signal; None when it ran out of time.
    :param reply: its answer, empty when there is none.
    :param error_output: the end of what it wrote on standard error.
    """

    status: int | None
    reply: dict[str, Any]
    error_output: str

    @property
    def is_late(self) -> bool:
        """Whether it ran out of time, by the clock or by the processor's count."""
        return self.status in (-signal.SIGXCPU, None)

    @property
    def is_short_of_memory(self) -> bool:
        """Whether it ran out of memory. A library may abort before the worker can answer."""
        if self.reply.get("failed") == "memory" or self.status in (
            -signal.SIGKILL,
            -signal.SIGABRT,
        ):
            return True
        return not self.reply and "memory" in self.error_output.lower()

    @property
    def error(self) -> str | None:
        """The error that ended it, or None when it left no trace of one."""
        return self.reply.get("error") or self.error_output[-_SHOWN_ERROR_CHARACTERS:] or None

    def raise_refusal(self) -> None:
        """Raise the refusal that the worker answered, if it did. Raises: RefusedError."""
        if "refused" in self.reply:
            refused = self.reply["refused"]
            message = Message.from_json(refused)
            values: dict[str, Any] = dict(message.values)
            raise RefusedError(message.key, field=refused["field"], **values)


def worker_result(
    module: str,
    request: dict[str, Any],
    *,
    path: Path,
    part: str,
    time_limit_s: float,
    memory_limit_mb: int,
) -> Any:
    """Return the result of a worker, as JSON values.

    :param request: what the worker is asked for; the limits are added here.
    :param path: the file that it works on, for the messages.
    :param part: of the catalogue, with the entries ``late``, ``memory``, ``failed`` and ``silent``.
    Raises: RefusedError when the worker refuses, MeasureFailedError when time or memory run out
    or it crashes.
    """
    end = run_worker(
        module,
        {
            **request,
            "memory_limit_mb": memory_limit_mb,
            "cpu_limit_s": math.ceil(time_limit_s) + 1,
        },
        time_limit_s,
    )
    if end.is_late:
        raise MeasureFailedError(f"{part}.late", name=path.name, limit_s=time_limit_s)
    if "result" in end.reply:
        return end.reply["result"]
    end.raise_refusal()
    if end.is_short_of_memory:
        raise MeasureFailedError(f"{part}.memory", name=path.name, limit_mb=memory_limit_mb)
    status = end.status or 0
    if end.error is None:
        raise MeasureFailedError(f"{part}.silent", name=path.name, status=status)
    error = end.error.replace(str(path.resolve()), path.name)
    raise MeasureFailedError(f"{part}.failed", name=path.name, status=status, error=error)


def run_worker(module: str, request: dict[str, Any], time_limit_s: float) -> WorkerEnd:
    """Run a worker with a JSON request on its standard input, and return how it ended.

    It is started by exec. It and its children are killed when the time is over, and are gone when
    this returns.
    """
    with tempfile.TemporaryFile() as errors:
        status, output = _run(module, json.dumps(request).encode(), time_limit_s, errors)
        errors.seek(max(0, errors.seek(0, os.SEEK_END) - _KEPT_ERROR_BYTES))
        error_output = errors.read().decode("utf-8", "replace").strip()
    return WorkerEnd(status, _parsed(output), error_output)


def _run(
    module: str, request: bytes, time_limit_s: float, errors: IO[bytes]
) -> tuple[int | None, bytes]:
    """Return exit status and output of the worker; status None when it ran out of time."""
    root = Path(__file__).resolve().parents[2]
    process = subprocess.Popen(  # noqa: S603 our own modules
        [sys.executable, "-m", module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=errors,
        cwd=root,
        env={"PATH": os.defpath, "LANG": "C.UTF-8", "PYTHONPATH": str(root)},
        start_new_session=True,
    )
    ended = threading.Event()
    killed = threading.Event()

    def watch() -> None:
        if not ended.wait(time_limit_s):
            killed.set()
            _kill(process)

    watcher = threading.Thread(target=watch, name="biteclock-measure-time", daemon=True)
    watcher.start()
    try:
        output, _ = process.communicate(request)
    finally:
        ended.set()
        watcher.join()
        _kill(process)
    return (None if killed.is_set() else process.returncode), output


def _kill(process: subprocess.Popen[bytes]) -> None:
    """Kill the worker and its children, and collect its status, unless it has ended."""
    if process.poll() is None:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _parsed(output: bytes) -> dict[str, Any]:
    try:
        reply = json.loads(output)
    except ValueError:
        return {}
    return reply if isinstance(reply, dict) else {}
