"""A worker's process asked directly, without the client that starts it in the product."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

from controller.artwork.exchange import read_answer, send_request
from tests.paths import ROOT

LIMITS = {"memory_limit_mb": 400, "cpu_limit_s": 60}


def request_of(path: Path, **more: Any) -> dict[str, Any]:
    """Return a request to measure a file, with the limits of the product."""
    return {
        "name": path.name, "options": {}, "with_picture": False, "accept_unconfined": False,
        **LIMITS, **more,
    }  # fmt: skip


def run_worker(module: str, request: dict[str, Any], path: Path) -> tuple[int, dict[str, Any]]:
    """Return exit status and reply; an empty reply when there is no answer."""
    status, answer = raw_answer([sys.executable, "-m", module], request, path)
    return status, read_answer(answer)[0] if answer else {}


def raw_answer(command: list[str], request: dict[str, Any], path: Path) -> tuple[int, bytes]:
    """Return exit status and answer, unread."""
    ours, theirs = socket.socketpair()
    with ours, path.open("rb") as file, Path(os.devnull).open("wb") as errors:
        with theirs:
            process = subprocess.Popen(command, cwd=ROOT, stdin=theirs.fileno())
        send_request(ours, request, (file.fileno(), errors.fileno()))
        answer = b"".join(iter(lambda: ours.recv(65536), b""))
        return process.wait(), answer
