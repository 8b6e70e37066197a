"""The daemon's imports from the artwork room bring neither numpy nor an imaging library."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tests.paths import ROOT

HEAVY = ("numpy", "PIL", "pypdfium2", "pypdfium2_raw", "resvg_py", "scipy", "skimage", "shapely")


def heavy_after(statement: str) -> list[str]:
    script = (
        f"{statement}\nimport json, sys\n"
        "loaded = {module.split('.')[0] for module in sys.modules}\n"
        f"print(json.dumps(sorted(loaded & set({HEAVY!r}))))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    found: list[str] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize(
    "module",
    [
        "options",
        "result",
        "limits",
        "client",
        "process",
        "cache",
        "planned",
        "loading.sniff",
        "worker",
    ],
)
def test_daemon_imports_are_light(module: str) -> None:
    """What the daemon imports is light."""
    assert heavy_after(f"import controller.artwork.{module}") == []


def test_check_sees_heavy_import() -> None:
    """The check detects a heavy import."""
    assert heavy_after("import controller.artwork.measuring.measure") == ["PIL", "numpy"]


def test_loaders_import_separately() -> None:
    """One loader does not bring the others."""
    assert "pypdfium2" not in heavy_after("import controller.artwork.loading.raster")
    assert "resvg_py" not in heavy_after("import controller.artwork.loading.pdf")
