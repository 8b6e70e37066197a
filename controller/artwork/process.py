"""Runs a worker module in a process of its own and takes its answer. Standard library only; safe to call from any thread."""

from __future__ import annotations

import json
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

from controller.errors import RefusedError

_TOLD_BYTES = 2000


@dataclass(frozen=True, slots=True)
class WorkerEnd:
    """How a worker ended.

    :param status: exit status, negative for a signal; None when its time was over.
    :param reply: its answer, empty when there is none.
    :param last_words: the end of what it wrote on standard error.
    """

    status: int | None
    reply: dict[str, Any]
    last_words: str

    @property
    def is_late(self) -> bool:
        """Whether it was ended for its time, by the clock or by the processor's."""
        return self.status in (-signal.SIGXCPU, None)

    @property
    def is_short_of_memory(self) -> bool:
        """Whether it ended for want of memory; a library may give up before the worker can answer."""
        if self.reply.get("failed") == "memory" or self.status in (
            -signal.SIGKILL,
            -signal.SIGABRT,
        ):
            return True
        return not self.reply and "memory" in self.last_words.lower()

    @property
    def cause(self) -> str:
        """Exit status and what is known of the reason."""
        return f"exit status {self.status}: {self.reply.get('error') or self.last_words[-200:] or 'no message'}"

    def refuse(self) -> None:
        """Raise the refusal that the worker answered, if it did. Raises: RefusedError."""
        if "refused" in self.reply:
            refused = self.reply["refused"]
            raise RefusedError(refused["message"], field=refused["field"], limit=refused["limit"])


def run_worker(module: str, request: dict[str, Any], time_limit_s: float) -> WorkerEnd:
    """Return how a worker ended that was started by exec with a JSON request on its standard input.

    It and whatever it started are killed when the time is over, and ended when this returns.
    """
    with tempfile.TemporaryFile() as told:
        status, output = _run(module, json.dumps(request).encode(), time_limit_s, told)
        told.seek(max(0, told.seek(0, os.SEEK_END) - _TOLD_BYTES))
        last_words = told.read().decode("utf-8", "replace").strip()
    return WorkerEnd(status, _parsed(output), last_words)


def _run(
    module: str, request: bytes, time_limit_s: float, told: IO[bytes]
) -> tuple[int | None, bytes]:
    """Return exit status and output of the worker; status None when it was killed for its time."""
    root = Path(__file__).resolve().parents[2]
    process = subprocess.Popen(  # noqa: S603 our own modules
        [sys.executable, "-m", module],
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
