"""The lock files: every promised machine and Python gets exact versions with hashes.

No index is asked. ``make bundle`` fetches the wheels themselves.
"""

from __future__ import annotations

import hashlib
import platform
import re
import sys
import tomllib
from pathlib import Path
from zipfile import ZipFile

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from systemd.bundle import Pin, markers, read_lock
from tests.paths import ROOT

PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]
EXTRAS = PROJECT["optional-dependencies"]
BUILD = PYPROJECT["build-system"]["requires"]
WANTED = {
    "systemd/lock/product.txt": PROJECT["dependencies"],
    "systemd/lock/messages.txt": EXTRAS["messages"],
    "systemd/lock/build.txt": BUILD,
    "tests/lock/tests.txt": [
        *PROJECT["dependencies"], *EXTRAS["dev"], *EXTRAS["messages"], *BUILD,
    ],
}  # fmt: skip
"""Lock file -> the requirements of pyproject.toml that it must meet."""
MACHINES = [
    (python, machine) for python in ("3.11", "3.12", "3.13") for machine in ("aarch64", "x86_64")
]
LOCKS = sorted(WANTED)
each_lock = pytest.mark.parametrize("lock", LOCKS)
each_machine = pytest.mark.parametrize(("python", "machine"), MACHINES)


def pins(lock: str) -> list[Pin]:
    return list(read_lock((ROOT / lock).read_text(encoding="utf-8")))


def given(lock: list[Pin], python: str, machine: str) -> dict[str, str]:
    """Return name -> version on that machine. A package that comes twice fails."""
    there = markers(python, machine)
    found = [p for p in lock if not p.requirement.marker or p.requirement.marker.evaluate(there)]
    names = [canonicalize_name(p.requirement.name) for p in found]
    assert sorted(set(names)) == sorted(names)
    return {canonicalize_name(p.requirement.name): p.version for p in found}


def unmet(requirements: list[str], lock: list[Pin], python: str, machine: str) -> list[str]:
    """Return the requirements that the lock does not meet on that machine."""
    have, there = given(lock, python, machine), markers(python, machine)
    return [
        text
        for text in requirements
        if (wanted := Requirement(text))
        and (wanted.marker is None or wanted.marker.evaluate(there))
        and not (
            (version := have.get(canonicalize_name(wanted.name)))
            and wanted.specifier.contains(version)
        )
    ]


@each_lock
@each_machine
def test_lock_meets_requirements(lock: str, python: str, machine: str) -> None:
    """After a change in pyproject.toml, run ``make lock``."""
    assert unmet(WANTED[lock], pins(lock), python, machine) == []


def test_gaps_are_seen() -> None:
    """A missing package, a version out of range, and a marker that leaves a machine out."""
    lock = list(read_lock("a==1.0 --hash=sha256:0\nb==2.0 ; python_version < '3.13'\n"))
    assert unmet(["a>=1", "b"], lock, "3.11", "x86_64") == []
    assert unmet(["a>=1.1", "c"], lock, "3.11", "x86_64") == ["a>=1.1", "c"]
    assert unmet(["b"], lock, "3.13", "x86_64") == ["b"]


@each_lock
def test_every_version_is_exact(lock: str) -> None:
    """pip refuses the whole file in hash mode when one line has a range or no hash."""
    for pin in pins(lock):
        (specifier,) = pin.requirement.specifier
        assert (specifier.operator, "*" in specifier.version) == ("==", False)
        assert pin.hashes != ()
        assert [h for h in pin.hashes if not re.fullmatch(r"sha256:[0-9a-f]{64}", h)] == []


@each_lock
def test_lock_names_no_host(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert not re.search(r"https?:|--(extra-)?index|--find-links|^#|file:", text, re.MULTILINE)


def test_same_versions_everywhere() -> None:
    """A package has one version, whatever the machine, the Python and the lock file."""
    versions: dict[str, set[str]] = {}
    for lock in LOCKS:
        for pin in pins(lock):
            versions.setdefault(canonicalize_name(pin.requirement.name), set()).add(pin.version)
    assert {name: found for name, found in versions.items() if len(found) > 1} == {}
    assert {"numpy", "fastapi", "pydantic-core", "setuptools"} <= versions.keys()


@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_one_package_brings_lgpio(python: str) -> None:
    """Both would overwrite each other's module. Version 0.0.0.2 has an empty one."""
    have = given(pins("systemd/lock/product.txt"), python, "aarch64")
    (name,) = have.keys() & {"lgpio", "adafruit-lgpio"}
    assert name == ("lgpio" if python == "3.11" else "adafruit-lgpio")
    assert have[name] != "0.0.0.2"


def test_messages_stay_outside_product() -> None:
    assert "apprise" not in given(pins("systemd/lock/product.txt"), "3.13", "aarch64")


def test_this_environment_is_locked() -> None:
    """What runs these tests is what the lock says. After a change of the lock: make clean."""
    from importlib.metadata import version

    python = f"{sys.version_info[0]}.{sys.version_info[1]}"
    machine = platform.machine()
    wanted = given(pins("tests/lock/tests.txt"), python, machine)
    assert {name: version(name) for name in wanted} == wanted


@pytest.mark.parametrize(
    "wheel", sorted((ROOT / "systemd" / "wheels").glob("*.whl")), ids=lambda path: path.name
)
def test_own_wheels_are_locked(wheel: Path) -> None:
    """A wheel that is kept here is pure Python, has its licence, and the lock names its hash."""
    digest = "sha256:" + hashlib.sha256(wheel.read_bytes()).hexdigest()
    assert any(pin.hashes == (digest,) for pin in pins("systemd/lock/product.txt"))
    assert wheel.name.endswith("-py3-none-any.whl")
    names = ZipFile(wheel).namelist()
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert [name for name in names if name.endswith((".so", ".pth"))] == []


def test_every_target_uses_lock() -> None:
    """Nothing is installed for people from open ranges: Makefile and install script."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for name in ("$(VENV)/.installed:", "$(VENV)/.installed-dev:"):
        recipe = makefile.partition(f"\n{name}")[2].partition("\n\n")[0]
        assert "$(LOCKED)" in recipe
        assert "--no-deps --no-build-isolation --editable ." in recipe
    assert re.search(r"^LOCKED := --require-hashes --only-binary :all:", makefile, re.MULTILINE)
