"""The rules for a session can fail: a skip, a failure that is not strict, a smaller group."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.paths import ROOT
from tests.session_rules import FLOORS, shortfalls

CONFTEST = """
from tests.paths import ROOT
from tests.session_rules import SessionRules

def pytest_configure(config):
    config.pluginmanager.register(SessionRules({floors!r}))
"""

SKIPS = {
    "a marker": "@pytest.mark.skip(reason='too hard')\ndef test_it(): pass",
    "a call": "def test_it(): pytest.skip('too hard')",
    "a condition": "@pytest.mark.skipif(True, reason='too hard')\ndef test_it(): pass",
    "a fixture": "@pytest.fixture\ndef part(): pytest.skip('too hard')\ndef test_it(part): pass",
    "a whole module": "pytest.skip('too hard', allow_module_level=True)",
    "a missing module": "pytest.importorskip('no_such_module', reason='too hard')",
    "a failure that need not be": "@pytest.mark.xfail(strict=False)\ndef test_it(): assert False",
    "a failure by hand": "def test_it(): pytest.xfail('too hard')",
}


QUICK = ("-p", "xdist")
"""With no other plugin loaded a session takes a third of the time."""


def session(
    directory: Path,
    body: str,
    *words: str,
    floors: dict[str, tuple[int, tuple[str, ...]]] | None = None,
) -> subprocess.CompletedProcess[str]:
    """Run a session over one module and a test that passes."""
    tests = directory / "tests"
    tests.mkdir()
    (directory / "pyproject.toml").write_text(
        "[tool.pytest.ini_options]\ntestpaths = ['tests']\nxfail_strict = true\n"
    )
    (directory / "conftest.py").write_text(CONFTEST.format(floors=floors or {}))
    (tests / "test_body.py").write_text(f"import pytest\n\n{body}\n")
    (tests / "test_good.py").write_text("def test_good(): pass\n")
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *QUICK, *words],
        cwd=directory,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("workers", ["0", "1"])
def test_skips_fail(tmp_path: Path, workers: str) -> None:
    """Each way to skip fails a session that would be green, beside workers as well as without."""
    body = "\n".join(
        text.replace("test_it", f"test_{n}").replace("part", f"part_{n}")
        for n, text in _in_a_function()
    )
    done = session(tmp_path, body, "--numprocesses", workers)
    assert done.returncode == 1, done.stdout
    assert "1 passed" in done.stdout
    for number, _ in _in_a_function():
        assert (
            f"FAILED skipped, and a skip is a failure here: tests/test_body.py::test_{number}: "
            in done.stdout
        )


def _in_a_function() -> list[tuple[int, str]]:
    return [
        (n, text) for n, (name, text) in enumerate(SKIPS.items()) if not name.endswith("module")
    ]


@pytest.mark.parametrize("name", ["a whole module", "a missing module"])
def test_modules_that_skip_fail(tmp_path: Path, name: str) -> None:
    done = session(tmp_path, SKIPS[name], "--numprocesses", "1")
    assert done.returncode == 1, done.stdout
    assert "FAILED skipped, and a skip is a failure here: tests/test_body.py: " in done.stdout


def test_strict_failures_pass(tmp_path: Path) -> None:
    """A known defect that must be taken off the list when it is mended is no skip."""
    done = session(tmp_path, "@pytest.mark.xfail(reason='known')\ndef test_it(): assert False")
    assert done.returncode == 0, done.stdout
    assert "1 xfailed" in done.stdout


@pytest.mark.parametrize(("floor", "status"), [(3, 1), (2, 0)])
def test_floors_are_held(tmp_path: Path, floor: int, status: int) -> None:
    done = session(tmp_path, "def test_it(): pass", floors={"all of it": (floor, ("test_",))})
    assert done.returncode == status, done.stdout
    assert ("FAILED all of it: 2 tests ran, the floor is 3" in done.stdout) == bool(status)


def test_parts_have_no_floor(tmp_path: Path) -> None:
    """Whoever runs one file while working is not asked for the rest."""
    done = session(
        tmp_path, "def test_it(): pass", "tests/test_good.py", floors={"all of it": (3, ("test_",))}
    )
    assert done.returncode == 0, done.stdout


def test_shortfalls_name_the_group() -> None:
    floors = {"page": (5, ("test_page", "page/")), "all": (7, ("",))}
    assert shortfalls({"test_page.py": 2, "page/test_live.py": 3, "test_wire.py": 2}, floors) == []
    assert shortfalls({"test_page.py": 2, "test_wire.py": 5}, floors) == [
        "page: 2 tests ran, the floor is 5"
    ]


def test_every_file_has_a_floor() -> None:
    """A file in no group but the whole could lose all its tests unnoticed."""
    beginnings = tuple(
        text for group, (_, texts) in FLOORS.items() if group != "all" for text in texts
    )
    files = [str(path.relative_to(ROOT / "tests")) for path in (ROOT / "tests").rglob("test_*.py")]
    assert [name for name in files if not name.startswith(beginnings)] == []
