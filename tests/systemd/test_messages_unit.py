"""The messenger's units, checked by systemd's own tools and against its manual pages."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from api.messenger.program import main
from api.messenger.settings import DEFAULT_PATH
from controller.config import Settings
from controller.config.services import DEFAULT_EVENTS_SOCKET
from tests.paths import ROOT
from tests.systemd.test_systemd_unit import exposure, settings

SERVICE = ROOT / "systemd" / "biteclock-messages.service"
SOCKET = ROOT / "systemd" / "biteclock-messages.socket"
DAEMON = ROOT / "systemd" / "biteclock.service"
LARGEST_EXPOSURE = 2.0
"""As for the daemon, on the scale of 0 to 10 of ``systemd-analyze security``."""


@pytest.fixture(scope="module")
def analyze() -> str:
    path = shutil.which("systemd-analyze")
    assert path is not None, "systemd-analyze is missing: sudo apt-get install systemd"
    return path


def complaints(analyze: str, directory: Path, old: str = "", new: str = "") -> str:
    """Return systemd's complaints about both units, after a change to their text."""
    program = directory / "biteclock-messages"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for unit in (SERVICE, SOCKET):
        text = unit.read_text().replace("/opt/biteclock/venv/bin", str(directory))
        (directory / unit.name).write_text(text.replace(old, new) if old else text)
    done = subprocess.run(
        [analyze, "verify", "--man=no", *(str(directory / it.name) for it in (SERVICE, SOCKET))],
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stderr


def test_units_are_valid(analyze: str, tmp_path: Path) -> None:
    assert complaints(analyze, tmp_path) == ""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("SocketMode=0660", "SocketModes=0660"),
        ("ProtectProc=invisible", "ProtectProc=hidden"),
        ("biteclock-messages\nRestart", "messenger\nRestart"),
    ],
)
def test_verification_sees_mistakes(analyze: str, tmp_path: Path, old: str, new: str) -> None:
    assert complaints(analyze, tmp_path, old, new) != ""


def test_exposure_is_low(analyze: str) -> None:
    assert exposure(analyze, SERVICE) <= LARGEST_EXPOSURE


def test_stranger_cannot_send() -> None:
    """The daemon's group may write to the socket, nobody else. Source: systemd.socket(5)."""
    socket, daemon = settings(SOCKET.read_text()), settings(DAEMON.read_text())
    assert socket["ListenDatagram"] == [str(DEFAULT_EVENTS_SOCKET)]
    assert socket["SocketMode"] == ["0660"]
    assert socket["SocketGroup"] == daemon["Group"] == ["biteclock"]
    assert socket["PassCredentials"] == ["yes"]
    assert str(Settings().messages.socket) == socket["ListenDatagram"][0]


def test_messenger_cannot_control() -> None:
    """It reaches the internet, so it must not be trusted by the daemon.

    Its user is not in the group that may use the daemon's socket, and it sees none of its files.
    """
    unit, daemon = settings(SERVICE.read_text()), settings(DAEMON.read_text())
    assert unit["User"] == unit["Group"] == ["biteclock-messages"]
    assert "SupplementaryGroups" not in unit
    assert unit["User"] != daemon["User"]
    hidden = unit["InaccessiblePaths"][0].split()
    assert {"-/var/lib/biteclock", "-/run/biteclock"} == set(hidden)
    assert unit["PrivateDevices"] == ["yes"]
    assert unit["NoNewPrivileges"] == ["yes"]
    assert unit["CapabilityBoundingSet"] == [""]
    assert unit["SystemCallFilter"] == ["@system-service", "~@privileged @resources"]


def test_senders_keep_their_names() -> None:
    """In a user namespace every sender would be nobody. Source: user_namespaces(7)."""
    assert "PrivateUsers" not in settings(SERVICE.read_text())


def test_off_until_set_up() -> None:
    unit = settings(SOCKET.read_text())
    assert unit["ConditionPathExists"] == [str(DEFAULT_PATH)]
    assert unit["WantedBy"] == ["sockets.target"]


def test_program_takes_its_defaults() -> None:
    """The unit gives no arguments: the program's own are those of the installed rig."""
    (command,) = settings(SERVICE.read_text())["ExecStart"]
    assert command == "/opt/biteclock/venv/bin/biteclock-messages"
    given = main.make_context("biteclock-messages", [], resilient_parsing=True).params
    assert given == {"path": DEFAULT_PATH, "socket_path": DEFAULT_EVENTS_SOCKET}


def test_daemon_reaches_no_internet() -> None:
    """The messenger is there so that the daemon's unit can go on denying all other addresses."""
    assert settings(DAEMON.read_text())["IPAddressDeny"] == ["any"]
    assert "IPAddressDeny" not in settings(SERVICE.read_text())
