"""Starts the measuring process and takes its answer. Standard library only; safe to call from any thread of the daemon."""

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
from pathlib import Path
from typing import IO, Any

from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, MeasureFailedError
from controller.errors import RefusedError

TIME_LIMIT_S = 180.0
"""Source: A4 at 1200 dpi takes 3 to 10 s on a desktop processor; the smallest Pi is taken to be ten times slower."""

MEMORY_LIMIT_MB = 400
"""Memory the process may write. Source: measured peak 254 MB for A4 at 1200 dpi, 330 MB for 40 million pixels in colour."""

_TOLD_BYTES = 2000


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
    with tempfile.TemporaryFile() as told:
        status, output = _run(json.dumps(request).encode(), time_limit_s, told)
        told.seek(max(0, told.seek(0, os.SEEK_END) - _TOLD_BYTES))
        last_words = told.read().decode("utf-8", "replace").strip()
    if status in (-signal.SIGXCPU, None):
        raise MeasureFailedError(
            f"measuring {path.name} took longer than {time_limit_s:g} s: save the artwork at 600 dpi or as black and white, "
            "or allow more time"
        )
    reply = _parsed(output)
    if "result" in reply:
        return ArtworkMeasure.from_dict(reply["result"])
    if "refused" in reply:
        refused = reply["refused"]
        raise RefusedError(refused["message"], field=refused["field"], limit=refused["limit"])
    is_memory = reply.get("failed") == "memory" or status in (-signal.SIGKILL, -signal.SIGABRT)
    if is_memory or (not reply and "memory" in last_words.lower()):  # a library may give up before it can answer
        raise MeasureFailedError(
            f"measuring {path.name} needs more than {memory_limit_mb} MB of memory: save the artwork at a lower resolution, or "
            "as 8-bit grey or black and white"
        )
    cause = reply.get("error") or last_words[-200:] or "no message"
    raise MeasureFailedError(
        f"measuring {path.name} failed (exit status {status}: {cause}): save the artwork anew as PNG or PDF and try again"
    )


def _run(request: bytes, time_limit_s: float, told: IO[bytes]) -> tuple[int | None, bytes]:
    """Return exit status and output of the worker; status None when it was killed for its time."""
    root = Path(__file__).resolve().parents[2]
    process = subprocess.Popen(
        [sys.executable, "-m", "controller.artwork.worker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=told,
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
    """Kill the worker and whatever it may have started, and take its status, unless it has ended."""
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
