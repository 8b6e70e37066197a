"""The units of the program that reads artworks, checked by systemd's own tools and its manual."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from controller.artwork.client import MOST_TIME_S, SERVICE_VARIABLE
from tests.paths import ROOT
from tests.systemd.test_systemd_unit import exposure, settings

SYSTEMD = ROOT / "systemd"
SERVICE, SOCKET = SYSTEMD / "biteclock-artwork@.service", SYSTEMD / "biteclock-artwork.socket"
LARGEST_EXPOSURE = 1.0
"""On the scale of 0 to 10 of ``systemd-analyze security``: half of the daemon's limit."""


@pytest.fixture(scope="module")
def analyze() -> str:
    path = shutil.which("systemd-analyze")
    assert path is not None, "systemd-analyze is missing: sudo apt-get install systemd"
    return path


def complaints(analyze: str, directory: Path, service: str) -> str:
    """Return systemd's complaints about both units, when the Python of the unit exists."""
    program = directory / "venv" / "bin" / "python"
    program.parent.mkdir(parents=True)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    place = str(directory / "venv")
    (directory / SERVICE.name).write_text(service.replace("/opt/biteclock/venv", place))
    (directory / SOCKET.name).write_text(SOCKET.read_text())
    instance = directory / "biteclock-artwork@1.service"
    done = subprocess.run(
        [analyze, "verify", "--man=no", str(instance), str(directory / SOCKET.name)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.stderr


def test_units_are_valid(analyze: str, tmp_path: Path) -> None:
    """systemd has no complaint, and would have one about a wrong key."""
    text = SERVICE.read_text()
    assert complaints(analyze, tmp_path / "right", text) == ""
    wrong = text.replace("PrivateNetwork=yes", "PrivateNetworks=yes")
    assert complaints(analyze, tmp_path / "wrong", wrong) != ""


def test_exposure_is_lowest(analyze: str, tmp_path: Path) -> None:
    """The unit is exposed less than the daemon's."""
    instance = tmp_path / "biteclock-artwork@1.service"
    instance.write_text(SERVICE.read_text())
    assert exposure(analyze, instance) <= LARGEST_EXPOSURE


def test_only_the_daemon_connects() -> None:
    """The socket belongs to the daemon's user; a process of its own answers each connection.

    Source: systemd.socket(5).
    """
    found = settings(SOCKET.read_text())
    assert (found["SocketUser"], found["SocketMode"]) == (["biteclock"], ["0600"])
    assert found["Accept"] == ["yes"]
    daemon = settings((SYSTEMD / "biteclock.service").read_text())
    assert f"{SERVICE_VARIABLE}={found['ListenStream'][0]}" in daemon["Environment"]
    assert SOCKET.name in daemon["Wants"][0].split()


def test_nothing_of_the_bench() -> None:
    """No network, no device, no file of the bench, a user of its own that vanishes.

    Source: systemd.exec(5).
    """
    found = settings(SERVICE.read_text())
    for key in (
        "DynamicUser", "PrivateNetwork", "PrivateDevices", "PrivateTmp", "PrivateUsers",
        "NoNewPrivileges", "RestrictNamespaces", "MemoryDenyWriteExecute",
    ):  # fmt: skip
        assert found[key] == ["yes"], key
    assert found["ProtectSystem"] == ["strict"]
    assert found["ProtectProc"] == ["invisible"]
    assert found["RestrictAddressFamilies"] == ["none"]
    assert "-/var/lib/biteclock" in found["InaccessiblePaths"]
    assert not {"User", "StateDirectory", "RuntimeDirectory", "SupplementaryGroups"} & set(found)


def test_service_outlives_no_upload() -> None:
    """It may run as long as the longest measuring, and hardly longer."""
    found = settings(SERVICE.read_text())
    assert MOST_TIME_S < float(found["RuntimeMaxSec"][0]) <= MOST_TIME_S + 30


def test_confinement_calls_are_allowed() -> None:
    """The worker confines itself with these calls. Without them uploads would be refused."""
    allowed = settings(SERVICE.read_text())["SystemCallFilter"][0].split()
    assert {"seccomp", "landlock_create_ruleset", "landlock_restrict_self"} <= set(allowed)


def test_unit_starts_the_worker() -> None:
    """The unit starts the module that the daemon starts elsewhere, isolated from its environment.

    Source: Python's documentation of -I.
    """
    command = settings(SERVICE.read_text())["ExecStart"][0]
    assert command == "/opt/biteclock/venv/bin/python -I -m controller.artwork.worker"
    assert settings(SERVICE.read_text())["StandardInput"] == ["socket"]
