"""The daemon loads no numbers library and no imaging library.

They cost memory and seconds, and they crash in ways that the daemon cannot handle.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.paths import ROOT

HEAVY = {"numpy", "PIL", "pypdfium2", "pypdfium2_raw", "resvg_py", "scipy", "skimage", "shapely"}

DAEMON = """
import sys
from pathlib import Path
from api.main import Daemon, Rehearsal
from controller.config import Settings
Daemon(Settings(), Rehearsal(), Path(sys.argv[1]), 0)
"""


def loaded_after(script: str, *arguments: str) -> set[str]:
    script += "\nimport json, sys\n"
    script += "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))"
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments], cwd=ROOT, capture_output=True, text=True,
        check=True
    )  # fmt: skip
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.parametrize(
    "module",
    ["api.main", "api.http.application", "api.http.routes.router", "api.http.guards.order"],
)
def test_modules_load_nothing_heavy(module: str) -> None:
    assert loaded_after(f"import {module}") & HEAVY == set()


def test_daemon_loads_nothing_heavy(tmp_path: Path) -> None:
    loaded = loaded_after(DAEMON, str(tmp_path))
    assert {"fastapi", "uvicorn", "segno"} <= loaded
    assert loaded & (HEAVY | {"prometheus_client"}) == set()


def test_check_can_fail() -> None:
    """The check sees a heavy import."""
    assert loaded_after("import controller.artwork.measuring.measure") & HEAVY == {"numpy", "PIL"}
