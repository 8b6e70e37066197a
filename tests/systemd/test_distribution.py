"""The source distribution is the whole project, and the wheel is the program alone."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
from pathlib import Path
from zipfile import ZipFile

import pytest

from tests.paths import ROOT

LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.egg-info", ".venv*", ".git", ".*_cache", "out")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Build both in a copy of the checkout: building leaves traces."""
    directory = tmp_path_factory.mktemp("built")
    shutil.copytree(ROOT, directory / "copy", ignore=LEFT_OUT)
    (directory / "copy" / "tests" / "__pycache__").mkdir(exist_ok=True)
    (directory / "copy" / "tests" / "__pycache__" / "stray.pyc").touch()
    script = (
        "import sys; from setuptools import build_meta; target = sys.argv[1];"
        "build_meta.build_sdist(target); build_meta.build_wheel(target)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(directory)],
        cwd=directory / "copy", capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Deprecat" not in done.stderr
    sdist, wheel = directory.glob("*.tar.gz"), directory.glob("*.whl")
    return next(sdist), next(wheel)


def test_source_distribution_is_whole(built: tuple[Path, Path]) -> None:
    """Whoever unpacks it can run both commands and install."""
    with tarfile.open(built[0]) as tar:
        inside = {name.partition("/")[2] for name in tar.getnames()}
    here = {
        str(path.relative_to(ROOT))
        for part in ("api", "controller", "hardware", "systemd", "tests", ".ci")
        for path in (ROOT / part).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    top = {"Makefile", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    assert (here | top) - inside == set()
    assert [name for name in inside if name.endswith(".pyc")] == []


def test_wheel_holds_program_alone(built: tuple[Path, Path]) -> None:
    names = ZipFile(built[1]).namelist()
    rooms = {name.partition("/")[0] for name in names if ".dist-info/" not in name}
    assert rooms == {"api", "controller", "hardware"}
    assert [name for name in names if "screenshots" in name] == []
    assert "controller/texts/guards.toml" in names


def test_licence_is_stated(built: tuple[Path, Path]) -> None:
    """Source: core metadata 2.4, License-Expression and License-File."""
    wheel = ZipFile(built[1])
    (metadata,) = [name for name in wheel.namelist() if name.endswith("dist-info/METADATA")]
    lines = wheel.read(metadata).decode().splitlines()
    assert "License-Expression: MIT" in lines
    assert "License-File: LICENSE" in lines
