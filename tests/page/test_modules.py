"""The page's modules under node: each has its test file in tests/page/js."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.kits.page.modules import TESTS, copy_modules
from tests.paths import ROOT

FILES = sorted(path.relative_to(ROOT) for path in (ROOT / TESTS).rglob("*.test.js"))


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the modules, their tests and the module of texts."""
    folder = tmp_path_factory.mktemp("page")
    copy_modules(folder)
    return folder


@pytest.mark.parametrize("path", FILES, ids=[path.name.removesuffix(".test.js") for path in FILES])
def test_page_module(copied: Path, path: Path) -> None:
    """Run one module's tests in a node process; on failure show all that node wrote."""
    node = shutil.which("node")
    assert node is not None, "the page's tests need node: apt-get install nodejs"
    command = [node, "--test", "--test-reporter=tap", str(copied / path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    source = (ROOT / path).read_text(encoding="utf-8")
    assert '\ntest("' in source, "a file without tests cannot fail"


def test_files_are_found() -> None:
    """Without its files the test above would pass by trying nothing."""
    assert len(FILES) >= 20
