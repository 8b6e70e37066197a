"""Every runtime dependency installs from wheels on a 64-bit Raspberry Pi, by the word of pip's
resolver.

By hand, ``make wheels``: it asks the package index. What needs no index is in ``test_wheels.py``.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import tomllib
from importlib.metadata import requires
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

from tests.paths import ROOT

TARGETS = {"3.11": 36, "3.13": 41}
"""Python -> minor version of glibc 2: Debian 12 (bookworm) and 13 (trixie), on which Raspberry Pi
OS stands.

Source: Debian package lists, python3 and libc6 of both releases."""

SOURCE_ONLY = {"adafruit-extended-bus"}
"""Published as a source archive alone: pure Python, built with setuptools on the spot."""


def environment(python: str) -> dict[str, str]:
    """Return the marker variables of that Python on the Pi. Source: PEP 508."""
    return {
        "os_name": "posix",
        "sys_platform": "linux",
        "platform_system": "Linux",
        "platform_machine": "aarch64",
        "platform_python_implementation": "CPython",
        "implementation_name": "cpython",
        "platform_release": "6.12",
        "platform_version": "",
        "python_version": python,
        "python_full_version": f"{python}.0",
        "implementation_version": f"{python}.0",
        "extra": "",
    }


def applicable(lines: list[str], python: str) -> list[Requirement]:
    """Return the requirements whose marker holds on the Pi, for which pip asks the Python it runs
    on.
    """
    requirements = [Requirement(line) for line in lines]
    return [r for r in requirements if r.marker is None or r.marker.evaluate(environment(python))]


def without_marker(requirement: Requirement) -> str:
    extras = f"[{','.join(sorted(requirement.extras))}]" if requirement.extras else ""
    return f"{requirement.name}{extras}{requirement.specifier}"


def ask_pip(python: str, glibc: int, wanted: list[str], constraints: Path) -> list[dict[str, Any]]:
    """Return what pip would install, wheels only.

    Requires-Python is checked by the caller: pip asks the Python it runs on.
    """
    platforms = [f"manylinux_2_{minor}_aarch64" for minor in range(17, glibc + 1)] + [
        "manylinux2014_aarch64"
    ]
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--dry-run",
        "--quiet",
        "--no-input",
        "--disable-pip-version-check",
        "--ignore-installed",
        "--ignore-requires-python",
        "--only-binary=:all:",
        "--report",
        "-",
        "--target",
        str(constraints.parent / "nowhere"),
        "--constraint",
        str(constraints),
        "--python-version",
        python,
        "--implementation",
        "cp",
        "--abi",
        f"cp{python.replace('.', '')}",
        *[argument for platform in platforms for argument in ("--platform", platform)],
        *wanted,
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    errors = [line for line in done.stderr.splitlines() if line.startswith("ERROR")]
    assert done.returncode == 0, (
        f"pip finds no wheels for CPython {python} on aarch64 (this needs the package index): "
        f"{errors or done.stderr}"
    )
    return list(json.loads(done.stdout)["install"])


def resolve(lines: list[str], python: str, directory: Path) -> dict[str, dict[str, Any]]:
    """Return name -> what would be installed, closed under the markers and the Requires-Python of
    the Pi.
    """
    wanted = {
        without_marker(r)
        for r in applicable(lines, python)
        if canonicalize_name(r.name) not in SOURCE_ONLY
    }
    constraints = directory / "constraints.txt"
    constraints.write_text("")
    for _ in range(6):
        items = ask_pip(python, TARGETS[python], sorted(wanted), constraints)
        found = {canonicalize_name(item["metadata"]["name"]): item for item in items}
        too_new = [
            f"{name}<{item['metadata']['version']}"
            for name, item in found.items()
            if not SpecifierSet(item["metadata"].get("requires_python", "")).contains(f"{python}.0")
        ]
        missing = {
            without_marker(r)
            for item in found.values()
            for r in applicable(item["metadata"].get("requires_dist", []), python)
            if canonicalize_name(r.name) not in found
        }
        if not too_new and not missing:
            return found
        wanted |= missing
        constraints.write_text(constraints.read_text() + "".join(f"{line}\n" for line in too_new))
    raise AssertionError(
        f"no closed set for CPython {python}: still missing {missing}, too new {too_new}"
    )


def dependencies() -> list[str]:
    """Return the runtime dependencies as pyproject.toml has them."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    return list(tomllib.loads(text)["project"]["dependencies"])


def provider(python: str) -> str:
    """Return the package that brings the module ``lgpio``: the first has no wheel for 3.13."""
    return "lgpio" if python == "3.11" else "adafruit-lgpio"


def check(python: str, directory: Path) -> int:
    """Return how many packages are installed.

    Raises: AssertionError when one comes not as a wheel.
    """
    found = resolve(dependencies(), python, directory)
    wanted = {canonicalize_name(r.name) for r in applicable(dependencies(), python)}
    assert wanted <= found.keys() | SOURCE_ONLY
    urls = {name: item["download_info"]["url"] for name, item in found.items()}
    assert [url for url in urls.values() if not url.endswith(".whl")] == []
    for name in SOURCE_ONLY:
        needed = {canonicalize_name(r.name) for r in applicable(requires(name) or [], python)}
        assert needed <= found.keys()
    # On 3.13 an unbounded requirement of lgpio silently gives 0.0.0.2, whose module is empty.
    assert found.keys() & {"lgpio", "adafruit-lgpio"} == {provider(python)}
    assert found[provider(python)]["metadata"]["version"] != "0.0.0.2"
    for compiled in (provider(python), "gpiod", "pydantic-core"):
        assert f"-cp{python.replace('.', '')}-" in urls[compiled]
        assert "aarch64" in urls[compiled]
    return len(found)


def notices_a_missing_wheel(directory: Path) -> bool:
    """Return whether pip refuses what has no wheel: lgpio on 3.13."""
    (directory / "constraints.txt").write_text("")
    try:
        ask_pip("3.13", TARGETS["3.13"], ["lgpio==0.2.2.0"], directory / "constraints.txt")
    except AssertionError as error:
        return "No matching distribution found for lgpio==0.2.2.0" in str(error)
    return False


def main() -> None:
    with tempfile.TemporaryDirectory() as directory:
        for python in sorted(TARGETS):
            print(
                f"CPython {python} on aarch64: {check(python, Path(directory))} packages, "
                f"all wheels"
            )
        assert notices_a_missing_wheel(Path(directory)), "a package without a wheel went unnoticed"


if __name__ == "__main__":
    main()
