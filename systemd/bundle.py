"""Write a bundle: all that install.sh needs on a Raspberry Pi without internet.

``make bundle``, by hand: asks the package index for the wheels of ``lock/``, on any machine. The
bundle is a folder and the same as a tar file; ``SHA256SUMS`` in it names every other file, and
install.sh checks it before it uses one.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = Path(__file__).parent.parent
PARTS = ("pyproject.toml", "README.md", "LICENSE", "controller", "hardware", "api", "systemd")
"""What the project's wheel and install.sh are made from."""
LOCKS = ("product", "messages", "build")
GLIBC_MINORS = {"3.11": 36, "3.12": 39, "3.13": 41}
"""Python -> minor version of glibc 2 beside it: Debian 12, Ubuntu 24.04 and Debian 13.

Source: the distributions' package lists, python3 and libc6."""
PI_PYTHONS = ("3.11", "3.13")
"""Raspberry Pi OS stands on Debian 12 and 13."""


@dataclass(frozen=True)
class Pin:
    """One package of a lock file: its exact version with its marker, and the allowed hashes."""

    requirement: Requirement
    hashes: tuple[str, ...]

    @property
    def version(self) -> str:
        """Return the version without its operator."""
        (specifier,) = self.requirement.specifier
        return specifier.version


def read_lock(text: str) -> Iterator[Pin]:
    """Yield the packages of a lock file. Raises: ValueError for a line that is not a package."""
    for line in text.replace("\\\n", " ").splitlines():
        words = re.split(r"\s+--hash=", line.strip())
        if words != [""]:
            yield Pin(Requirement(words[0]), tuple(words[1:]))


def markers(python: str, machine: str = "aarch64") -> dict[str, str]:
    """Return the marker variables of that Python on Linux. Source: PEP 508."""
    return {
        "os_name": "posix",
        "sys_platform": "linux",
        "platform_system": "Linux",
        "platform_machine": machine,
        "platform_python_implementation": "CPython",
        "platform_release": "6.12",
        "platform_version": "",
        "implementation_name": "cpython",
        "implementation_version": f"{python}.0",
        "python_version": python,
        "python_full_version": f"{python}.0",
        "extra": "",
    }


def pins_for(name: str, python: str, machine: str = "aarch64") -> list[Pin]:
    """Return the packages of the lock file that the machine gets."""
    there = markers(python, machine)
    pins = read_lock((PROJECT / "systemd" / "lock" / f"{name}.txt").read_text(encoding="utf-8"))
    return [p for p in pins if not p.requirement.marker or p.requirement.marker.evaluate(there)]


def fetch(directory: Path, python: str, machine: str = "aarch64") -> None:
    """Fetch the wheels of all locks for that machine. pip checks each against its hashes.

    The markers are judged here, because pip asks the Python that it runs on.
    Raises: CalledProcessError.
    """
    lines = {
        " ".join([str(p.requirement).partition(";")[0], *(f"--hash={h}" for h in p.hashes)])
        for name in LOCKS
        for p in pins_for(name, python, machine)
    }
    tags = [f"manylinux_2_{minor}_{machine}" for minor in range(17, GLIBC_MINORS[python] + 1)]
    platforms = [f"manylinux2014_{machine}", *tags]
    target = ["--implementation", "cp", "--python-version", python]
    abis = (f"cp{python.replace('.', '')}", "abi3", "none")
    target += [word for abi in abis for word in ("--abi", abi)]
    target += [word for platform in platforms for word in ("--platform", platform)]
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as wanted:
        wanted.write("\n".join(sorted(lines)) + "\n")
        wanted.flush()
        subprocess.run(
            [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check",
             "--no-deps", "--require-hashes", "--only-binary=:all:",
             "--find-links", str(PROJECT / "systemd" / "wheels"),
             "--dest", str(directory), *target, "--requirement", wanted.name],
            check=True,
        )  # fmt: skip


def copy_parts(directory: Path) -> None:
    """Copy the project without traces of its use."""
    for part in PARTS:
        source, target = PROJECT / part, directory / part
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(source, target)


def build_project(directory: Path) -> None:
    """Build the project's wheel from a copy: building leaves traces. Raises: CalledProcessError."""
    with tempfile.TemporaryDirectory() as copy:
        copy_parts(Path(copy))
        subprocess.run(
            [sys.executable, "-m", "pip", "wheel", "--quiet", "--disable-pip-version-check",
             "--no-deps", "--no-build-isolation", "--wheel-dir", str(directory), copy],
            check=True, env={**os.environ, "SOURCE_DATE_EPOCH": "1577836800"},
        )  # fmt: skip


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def write_sums(bundle: Path) -> None:
    """Write SHA256SUMS as ``sha256sum --check`` reads it."""
    files = sorted(path for path in bundle.rglob("*") if path.is_file())
    lines = [f"{digest(path)}  {path.relative_to(bundle)}\n" for path in files]
    (bundle / "SHA256SUMS").write_text("".join(lines))


def pack(bundle: Path) -> Path:
    """Return a tar file of the bundle, which has the same bytes whoever packs it."""
    target = bundle.with_name(f"{bundle.name}.tar")

    def plain(member: tarfile.TarInfo) -> tarfile.TarInfo:
        member.uid = member.gid = member.mtime = 0
        member.uname = member.gname = "root"
        member.mode = 0o755 if member.mode & 0o100 else 0o644
        return member

    with tarfile.open(target, "w") as tar:
        tar.add(bundle, bundle.name, filter=plain)
    return target


def make(directory: Path, pythons: tuple[str, ...] = PI_PYTHONS) -> Path:
    """Return the folder of a new bundle in ``directory``. Raises: CalledProcessError, OSError."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    bundle = directory / f"biteclock-{project['version']}-bundle"
    shutil.rmtree(bundle, ignore_errors=True)
    wheels = bundle / "wheels"
    wheels.mkdir(parents=True)
    for python in pythons:
        fetch(wheels, python)
    build_project(wheels)
    for name in ("README.md", "LICENSE", "pyproject.toml"):
        shutil.copy2(PROJECT / name, bundle / name)
    unneeded = shutil.ignore_patterns("__pycache__", "bench_os", "wheels")
    shutil.copytree(PROJECT / "systemd", bundle / "systemd", ignore=unneeded)
    write_sums(bundle)
    return bundle


def main() -> None:
    """Write the bundle and its tar file, and print what to compare on the Pi."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--python", action="append", choices=sorted(GLIBC_MINORS))
    options = parser.parse_args()
    bundle = make(options.directory, tuple(options.python or PI_PYTHONS))
    packed = pack(bundle)
    print(f"{packed}: {packed.stat().st_size / 1e6:.0f} MB")
    print(f"SHA-256 {digest(packed)}")


if __name__ == "__main__":
    main()
