"""What a 64-bit Raspberry Pi must get, from the requirements alone: no index is asked.

``make wheels``, by hand, lets pip's resolver look for the wheels themselves.
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, requires

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.proofs.wheels import SOURCE_ONLY, TARGETS, applicable, dependencies, provider


def names(lines: list[str], python: str) -> set[str]:
    return {canonicalize_name(requirement.name) for requirement in applicable(lines, python)}


@pytest.mark.parametrize("python", sorted(TARGETS))
def test_one_package_brings_lgpio(python: str) -> None:
    """Both would overwrite each other's module."""
    assert names(dependencies(), python) & {"lgpio", "adafruit-lgpio"} == {provider(python)}


@pytest.mark.parametrize("python", sorted(TARGETS))
def test_empty_lgpio_is_refused(python: str) -> None:
    """Version 0.0.0.2 has an empty module; an unbounded requirement takes it where wheels lack."""
    chosen = [r for r in applicable(dependencies(), python) if r.name == provider(python)]
    assert len(chosen) == 1
    assert not chosen[0].specifier.contains("0.0.0.2")


@pytest.mark.parametrize("python", sorted(TARGETS))
def test_source_packages_add_nothing(python: str) -> None:
    """All that they need is a dependency of ours, whose wheels ``make wheels`` looks for."""
    reached = names(dependencies(), python)
    waiting = set(reached)
    while waiting:
        try:
            new = names(requires(waiting.pop()) or [], python)
        except PackageNotFoundError:  # for the Pi alone
            continue
        waiting |= new - reached
        reached |= new
    for package in SOURCE_ONLY:
        assert package in reached
        assert names(requires(package) or [], python) <= reached


def test_markers_tell_pythons_apart() -> None:
    lines = [
        "a; python_version < '3.13'",
        "b; platform_machine == 'aarch64'",
        "c; sys_platform == 'win32'",
    ]
    assert names(lines, "3.11") == {"a", "b"}
    assert names(lines, "3.13") == {"b"}
    assert Requirement(lines[0]).name == "a"
