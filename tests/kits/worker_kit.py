"""A worker's process asked directly, without the client that starts it in the product."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

from tests.paths import ROOT


def run_worker(module: str, request: dict[str, Any]) -> tuple[int, dict[str, Any]]:
    """Return exit status and answer."""
    done = subprocess.run(
        [sys.executable, "-m", module],
        cwd=ROOT,
        input=json.dumps(request),
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, json.loads(done.stdout)
