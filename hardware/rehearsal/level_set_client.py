"""Starts the front solver's process and takes its answer. Standard library only; blocks for seconds."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from controller.artwork.result import MeasureFailedError
from controller.errors import RefusedError
from hardware.rehearsal.level_set_job import FrontJob, FrontSolution

CPU_LIMIT_S = 300
"""Processor time of a solution. Source: A4 full of lines takes 20 s for 0.25 mm on a desktop processor, 100 s for 0.8 mm."""

MEMORY_LIMIT_MB = 400
"""Memory that the process may write. Source: measured peak 105 MB for A4 at 600 dpi, 210 MB at 1200 dpi."""


def solve_in_process(job: FrontJob, *, cpu_limit_s: int = CPU_LIMIT_S, memory_limit_mb: int = MEMORY_LIMIT_MB) -> FrontSolution:
    """Return the etching of an artwork, worked out in a process of its own that is started by exec and ends with this call.

    Raises: RefusedError when file or options cannot be used, MeasureFailedError when time or memory run out or it crashes.
    """
    root = Path(__file__).resolve().parents[2]
    request = {"job": job.to_dict(), "memory_limit_mb": memory_limit_mb, "cpu_limit_s": cpu_limit_s}
    done = subprocess.run(
        [sys.executable, "-m", "hardware.rehearsal.level_set_worker"],
        input=json.dumps(request).encode(),
        capture_output=True,
        check=False,
        cwd=root,
        env={"PATH": os.defpath, "LANG": "C.UTF-8", "PYTHONPATH": str(root)},
    )
    reply = _parsed(done.stdout)
    if "result" in reply:
        return FrontSolution.from_dict(reply["result"])
    if "refused" in reply:
        refused = reply["refused"]
        raise RefusedError(refused["message"], field=refused["field"], limit=refused["limit"])
    if done.returncode == -signal.SIGXCPU:
        cause = f"it took more than {cpu_limit_s} s of processor time"
    elif reply.get("failed") == "memory" or done.returncode in (-signal.SIGKILL, -signal.SIGABRT):
        cause = f"it needs more than {memory_limit_mb} MB of memory"
    else:
        last_words = done.stderr.decode("utf-8", "replace").strip()[-200:]
        cause = f"exit status {done.returncode}: {reply.get('error') or last_words or 'no message'}"
    raise MeasureFailedError(
        f"the front on {job.path.name} could not be worked out ({cause}): rehearse a piece of it, or with area and edge length"
    )


def _parsed(output: bytes) -> dict[str, Any]:
    try:
        reply = json.loads(output)
    except ValueError:
        return {}
    return reply if isinstance(reply, dict) else {}
