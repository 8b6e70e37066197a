"""Fetch the wheels that the guest's pip needs: for arm64 and its Python, on any machine.

``wheels.py DIRECTORY PYTHON``, PYTHON such as 3.13. Walks the requirements of this project's
virtual environment with the guest's markers, because pip uses those of the machine it runs on.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = Path(__file__).parent.parent.parent
GLIBC_MINORS = range(17, 42)
"""Debian trixie has glibc 2.41."""


def guest_markers(python: str) -> dict[str, str]:
    """Return the environment of PEP 508 in the guest."""
    return {
        "python_version": python,
        "python_full_version": f"{python}.0",
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
        "platform_machine": "aarch64",
        "platform_system": "Linux",
        "sys_platform": "linux",
        "os_name": "posix",
        "extra": "",
    }


def wanted(python: str) -> list[str]:
    """Return the requirements to fetch, in the versions installed here.

    A package that is not installed here keeps the version range of its requirement.
    """
    with (PROJECT / "pyproject.toml").open("rb") as stream:
        todo = [Requirement(text) for text in tomllib.load(stream)["project"]["dependencies"]]
    found = {"setuptools": "setuptools>=68"}
    while todo:
        requirement = todo.pop()
        name = canonicalize_name(requirement.name)
        if name in found or (
            requirement.marker and not requirement.marker.evaluate(guest_markers(python))
        ):
            continue
        try:
            installed = distribution(requirement.name)
        except PackageNotFoundError:
            found[name] = f"{requirement.name}{requirement.specifier}"
        else:
            found[name] = f"{requirement.name}=={installed.version}"
            todo += [Requirement(text) for text in installed.requires or ()]
    return sorted(found.values())


def fetch(directory: Path, python: str) -> None:
    """Fetch wheels. Build those of source packages, pure Python. Raises: CalledProcessError."""
    pip = [sys.executable, "-m", "pip"]
    platforms = [
        "manylinux2014_aarch64",
        *(f"manylinux_2_{minor}_aarch64" for minor in GLIBC_MINORS),
    ]
    abi = f"cp{python.replace('.', '')}"
    target = ["--only-binary=:all:", "--implementation", "cp", "--python-version", python]
    target += [word for tag in (abi, "abi3", "none") for word in ("--abi", tag)]
    target += [word for platform in platforms for word in ("--platform", platform)]
    for requirement in wanted(python):
        words = ["download", "--quiet", "--no-deps", "--dest", str(directory), *target, requirement]
        if subprocess.run([*pip, *words], check=False, stderr=subprocess.DEVNULL).returncode:
            subprocess.run(
                [*pip, "wheel", "--quiet", "--no-deps", "--wheel-dir", str(directory), requirement],
                check=True,
            )
    foreign = [
        path.name for path in directory.glob("*.whl") if not path.stem.endswith(("-any", "aarch64"))
    ]
    if foreign:
        raise SystemExit(
            f"wheels.py: made for this machine and not for the guest: {', '.join(foreign)}"
        )


if __name__ == "__main__":
    fetch(Path(sys.argv[1]), sys.argv[2])
