"""The local socket: who may connect, what it replaces, and what it never touches."""

from __future__ import annotations

import logging
import os
import socket
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.access import local_socket as module
from api.access.local_socket import LocalSocket, local_socket, socket_directory
from api.http.server import WebServer
from controller.errors import RefusedError
from tests.kits.api_client import SILVER, WAIT_S, Daemon, assert_problem


@contextmanager
def served_locally(daemon: Daemon, local: LocalSocket) -> Iterator[httpx.Client]:
    """Serve on the local socket and on loopback, as the daemon does; gives a local client."""
    server = WebServer(daemon.app)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(
            target=server.run, kwargs={"sockets": [listener, local.listener]}, daemon=True
        )
        thread.start()
        transport = httpx.HTTPTransport(uds=str(local.path))
        try:
            with httpx.Client(
                transport=transport, base_url="http://localhost", timeout=WAIT_S
            ) as client:
                client.headers["x-port"] = str(listener.getsockname()[1])
                yield client
        finally:
            server.should_exit = True
            thread.join(WAIT_S)


@pytest.fixture
def client(tmp_path: Path) -> Iterator[httpx.Client]:
    daemon = Daemon(
        tmp_path / "state", guarded=True, tables={"server": {"view_needs_pairing": True}}
    )
    daemon.step()
    local = LocalSocket(tmp_path)
    try:
        with served_locally(daemon, local) as client:
            yield client
    finally:
        local.close()
        daemon.close()


def test_local_caller_controls(client: httpx.Client) -> None:
    """Whoever can connect is trusted like a paired device, with no token and by any host name."""
    assert client.get("/api/access").json()["may_control"] is True
    assert client.post("/api/plan", json=SILVER).status_code == 200
    pin = client.get("/api/pairing", headers={"host": "whatever.example"}).json()["pin"]
    assert len(pin) == 6


def test_foreign_origin_refused(client: httpx.Client) -> None:
    answer = client.post("/api/plan", json=SILVER, headers={"origin": "http://elsewhere.example"})
    assert_problem(answer, 403, "foreign-origin")


def test_tcp_is_not_trusted(client: httpx.Client) -> None:
    """The same server takes both kinds of connection and confuses neither."""
    address = f"http://127.0.0.1:{client.headers['x-port']}"
    with httpx.Client(base_url=address, timeout=WAIT_S) as stranger:
        for _ in range(2):
            assert client.get("/api/status").status_code != 401
            assert_problem(stranger.post("/api/plan", json=SILVER), 401, "pairing-needed")


def test_group_may_connect(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A group of this process stands for the group of the bench.

    The service's unit forbids chown (SystemCallFilter=~@privileged), and needs none.
    """

    def forbidden(*_arguments: Any, **_options: Any) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "chown", forbidden)
    group = type("Group", (), {"gr_gid": os.getegid()})
    monkeypatch.setattr(module.grp, "getgrnam", lambda _name: group)
    local = LocalSocket(tmp_path)
    assert stat.S_IMODE(local.path.stat().st_mode) == 0o660
    local.close()
    assert not local.path.exists()


def test_owner_alone_without_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first group of a user may hold everybody on the machine."""

    def unknown(_name: str) -> Any:
        raise KeyError

    monkeypatch.setattr(module.grp, "getgrnam", unknown)
    local = LocalSocket(tmp_path)
    assert stat.S_IMODE(local.path.stat().st_mode) == 0o600
    local.close()


def test_left_socket_is_replaced(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(tmp_path / "control.sock"))
    local = LocalSocket(tmp_path)
    with socket.socket(socket.AF_UNIX) as caller:
        caller.connect(str(local.path))
    local.close()


def test_second_daemon_is_refused(tmp_path: Path) -> None:
    first = LocalSocket(tmp_path)
    with pytest.raises(RefusedError, match="Another biteclock is running"):
        LocalSocket(tmp_path)
    with socket.socket(socket.AF_UNIX) as caller:
        caller.connect(str(first.path))
    first.close()
    LocalSocket(tmp_path).close()


def test_living_program_keeps_socket(tmp_path: Path) -> None:
    """A program that took the name without the lock is not thrown out."""
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(tmp_path / "control.sock"))
        other.listen()
        with pytest.raises(RefusedError, match="Another biteclock is running"):
            LocalSocket(tmp_path)
        with socket.socket(socket.AF_UNIX) as caller:
            caller.connect(str(tmp_path / "control.sock"))


@pytest.mark.parametrize("kind", ["file", "directory", "link", "link to a socket"])
def test_nothing_else_is_touched(tmp_path: Path, kind: str) -> None:
    path, target = tmp_path / "control.sock", tmp_path / "target"
    match kind:
        case "file":
            path.write_text("mine")
        case "directory":
            path.mkdir()
        case "link":
            target.write_text("mine")
            path.symlink_to(target)
        case _:
            with socket.socket(socket.AF_UNIX) as left:
                left.bind(str(target))
            path.symlink_to(target)
    before = path.lstat()
    with pytest.raises(RefusedError, match="in the way"):
        LocalSocket(tmp_path)
    assert path.lstat().st_ino == before.st_ino
    assert stat.S_IMODE(path.lstat().st_mode) == stat.S_IMODE(before.st_mode)


def test_lock_follows_no_link(tmp_path: Path) -> None:
    """Nor is the lock file made where a link leads."""
    (tmp_path / "control.sock-lock").symlink_to(tmp_path / "elsewhere")
    assert local_socket(tmp_path) is None
    assert not (tmp_path / "elsewhere").exists()


def test_close_leaves_other_socket(tmp_path: Path) -> None:
    local = LocalSocket(tmp_path)
    local.path.unlink()
    local.path.write_text("somebody else's")
    local.close()
    assert local.path.read_text() == "somebody else's"


def test_long_directory(tmp_path: Path) -> None:
    """A socket's address takes 107 bytes. Source: unix(7)."""
    deep = tmp_path / ("x" * 120)
    deep.mkdir()
    local = LocalSocket(deep)
    assert stat.S_ISSOCK(local.path.lstat().st_mode)
    local.close()


def test_warning_without_socket(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING, "biteclock"):
        assert local_socket(tmp_path / "missing") is None
    assert "cannot be made" in caplog.text


def test_socket_directory(tmp_path: Path) -> None:
    """The service manager may name several directories. Source: systemd.exec(5)."""
    given = {"RUNTIME_DIRECTORY": "/run/biteclock:/run/other"}
    assert socket_directory(tmp_path, given, is_bench=True) == Path("/run/biteclock")
    assert socket_directory(tmp_path, given, is_bench=False) == tmp_path
    assert socket_directory(tmp_path, {}, is_bench=True) == tmp_path
