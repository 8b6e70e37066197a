"""The page's modules under node: each has its test file in tests/page/js."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.paths import ROOT

FILES = sorted((ROOT / "tests" / "page" / "js").rglob("*.test.js"))


@pytest.mark.parametrize("path", FILES, ids=[path.name.removesuffix(".test.js") for path in FILES])
def test_page_module(path: Path) -> None:
    """Run one module's tests in a node process; on failure show all that node wrote."""
    node = shutil.which("node")
    assert node is not None, "the page's tests need node: apt-get install nodejs"
    command = [node, "--test", "--test-reporter=tap", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert '\ntest("' in path.read_text(encoding="utf-8"), "a file without tests cannot fail"


def test_files_are_found() -> None:
    """Without its files the test above would pass by trying nothing."""
    assert len(FILES) >= 20
