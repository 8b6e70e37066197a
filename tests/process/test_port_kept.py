"""The listening port survives a restart of the daemon, and no other program can take it."""

from __future__ import annotations

import array
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.request import urlopen

import pytest

from api.access.listening import PAGE_SOCKET, kept_listening_socket, listening_socket
from controller.config import ServerSettings
from hardware.descriptor_store import DescriptorStore
from hardware.notify import ServiceNotifier
from tests.kits.api_client import WAIT_S
from tests.paths import ROOT

STUDIO = ServerSettings(listen="studio-network")


class Manager:
    """The receiving end of the notify socket. It keeps descriptors, as the service manager does.

    Source: sd_notify(3).
    """

    def __init__(self, file: Path) -> None:
        self.address = str(file)
        self.kept: dict[str, int] = {}
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.address)
        self._socket.settimeout(WAIT_S)

    def take(self) -> str:
        """Take the next message and return its first line."""
        words, rights, _, _ = self._socket.recvmsg(4096, socket.CMSG_SPACE(4 * 4))
        first, *further = words.decode().splitlines()
        names = [line.removeprefix("FDNAME=") for line in further if line.startswith("FDNAME=")]
        if first == "FDSTORE=1":
            (_, _, passed) = rights[0]
            self.kept[names[0]] = array.array("i", passed)[0]
        if first == "FDSTOREREMOVE=1":
            os.close(self.kept.pop(names[0]))
        return first

    def close(self) -> None:
        self._socket.close()
        for descriptor in self.kept.values():
            os.close(descriptor)


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    manager = Manager(tmp_path / "notify")
    yield manager
    manager.close()


START = """
import os, sys
descriptor = int(sys.argv[1])
if descriptor >= 0:
    os.dup2(descriptor, 3, inheritable=True)
    os.environ.update(LISTEN_PID=str(os.getpid()), LISTEN_FDS="1", LISTEN_FDNAMES="page")
os.execv(sys.executable, [sys.executable, *sys.argv[2:]])
"""
"""Passes a descriptor on as the service manager does, then becomes the daemon."""


def started(manager: Manager, state_directory: Path, port: int) -> subprocess.Popen[str]:
    """Start a daemon under the manager, with what it keeps."""
    kept = manager.kept.get(PAGE_SOCKET, -1)
    command = [
        *(sys.executable, "-c", START, str(kept), "-m", "api.cli.command_line", "serve"),
        *("--rig", "rehearsal", "--port", str(port), "--state-directory", str(state_directory)),
    ]
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        pass_fds=() if kept < 0 else (kept,), env={**os.environ, "NOTIFY_SOCKET": manager.address},
    )  # fmt: skip


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def test_port_survives_restart(manager: Manager, tmp_path: Path) -> None:
    """A killed daemon leaves its port with the manager, and its next life answers who waited."""
    port = free_port()
    with started(manager, tmp_path, port) as first:
        assert manager.take() == "FDSTORE=1"
        assert manager.take() == "READY=1"
        first.send_signal(signal.SIGKILL)
        first.communicate()
    with pytest.raises(OSError, match="Address already in use"):
        socket.create_server(("127.0.0.1", port))
    with socket.create_connection(("127.0.0.1", port), WAIT_S) as patient:
        patient.sendall(b"GET /api/status HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        with started(manager, tmp_path, port) as second:
            assert manager.take() == "READY=1", "nothing new to keep"
            assert patient.recv(15) == b"HTTP/1.1 200 OK"
            with urlopen(f"http://127.0.0.1:{port}/api/status", timeout=WAIT_S) as answer:
                assert answer.status == 200
            environment = Path(f"/proc/{second.pid}/environ").read_bytes()
            assert b"LISTEN_FDS=1" in environment, "the socket came as the manager passes it on"
            second.send_signal(signal.SIGTERM)
            second.communicate()


class Store:
    """A store on this side of the process."""

    def __init__(self, kept: socket.socket | None) -> None:
        self.kept = kept
        self.did: list[str] = []

    def take(self, name: str) -> socket.socket | None:
        kept, self.kept = self.kept, None
        return kept

    def keep(self, name: str, kept: socket.socket) -> None:
        self.did.append(f"keep {name}")

    def forget(self, name: str) -> None:
        self.did.append(f"forget {name}")


@pytest.mark.parametrize("server", [ServerSettings(), STUDIO])
def test_same_settings_keep_socket(server: ServerSettings) -> None:
    old = listening_socket(server, 0)
    port = old.getsockname()[1]
    store = Store(old)
    with kept_listening_socket(server, port, store) as listener:
        assert listener is old
    assert store.did == []


@pytest.mark.parametrize("wanted", ["another port", "other addresses", "no listening socket"])
def test_other_settings_give_socket_up(wanted: str) -> None:
    """The port in the configuration changed: the old one is closed, and the new one kept."""
    old = socket.socket() if wanted == "no listening socket" else listening_socket(STUDIO, 0)
    server = ServerSettings() if wanted == "other addresses" else STUDIO
    port = free_port() if wanted != "other addresses" else old.getsockname()[1]
    store = Store(old)
    with kept_listening_socket(server, port, store) as listener:
        assert listener is not old
        assert listener.getsockname()[1] == port
    assert store.did == ["forget page", "keep page"]
    assert old.fileno() == -1


def test_first_start_keeps_socket() -> None:
    store = Store(None)
    kept_listening_socket(ServerSettings(), 0, store).close()
    assert store.did == ["keep page"]


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"LISTEN_PID": "1", "LISTEN_FDS": "1", "LISTEN_FDNAMES": "page"},
        {"LISTEN_PID": str(os.getpid()), "LISTEN_FDS": "x", "LISTEN_FDNAMES": "page"},
        {"LISTEN_PID": str(os.getpid()), "LISTEN_FDS": "0", "LISTEN_FDNAMES": ""},
    ],
)
def test_nothing_passed_on(environment: dict[str, str]) -> None:
    """Descriptors for another process are not touched. Nothing of it reaches child processes."""
    store = DescriptorStore.from_environment(environment, ServiceNotifier(None))
    assert store.take("page") is None
    assert environment == {}
