"""Connections that send little or nothing are closed, and never keep Stop out."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from api.http import bounded_protocol
from tests.kits.api_client import WAIT_S, Daemon, serve

STOP = b"POST /api/stop HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n\r\n"
HEAD = b"GET /api/metals HTTP/1.1\r\nHost: bench.local\r\n"


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


@pytest.fixture
def port(daemon: Daemon) -> Iterator[int]:
    with serve(daemon.app) as address:
        yield int(address.rsplit(":", 1)[1])


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten seconds are shortened, for the test's sake."""
    monkeypatch.setattr(bounded_protocol, "HEAD_S", 0.2)


def connect(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), WAIT_S)


def is_gone(connection: socket.socket) -> bool:
    """Wait until the other side closes; what comes before is dropped."""
    try:
        while connection.recv(65536):
            pass
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False
    return True


def status_of(connection: socket.socket) -> bytes:
    """Return the status of one answer, read whole."""
    got = b""
    while b"\r\n\r\n" not in got:
        got += connection.recv(65536)
    head, _, body = got.partition(b"\r\n\r\n")
    length = next(
        int(line.split(b":")[1])
        for line in head.lower().split(b"\r\n")
        if line.startswith(b"content-length")
    )
    while len(body) < length:
        body += connection.recv(65536)
    return head.split()[1]


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("sent", [b"", b"G", HEAD, HEAD + b"X-Slow: a\r\nX-"])
def test_slow_head_ends_connection(port: int, sent: bytes) -> None:
    with connect(port) as connection:
        connection.sendall(sent)
        assert is_gone(connection)


@pytest.mark.usefixtures("impatient")
def test_trickle_is_no_progress(port: int) -> None:
    with connect(port) as connection:
        connection.settimeout(0.05)
        for sign in HEAD:
            try:
                connection.sendall(bytes([sign]))
                assert connection.recv(1) == b""
                return
            except TimeoutError:  # nothing sent, nothing closed: go on
                pass
            except (BrokenPipeError, ConnectionResetError):
                return
        raise AssertionError("it is still open after the whole head")


@pytest.mark.usefixtures("impatient")
def test_second_request_same_time(port: int) -> None:
    """The second request of a connection has no more time than the first."""
    with connect(port) as connection:
        connection.sendall(HEAD + b"\r\n")
        assert status_of(connection) == b"200"
        connection.sendall(HEAD)
        assert is_gone(connection)


@pytest.mark.usefixtures("impatient")
def test_endless_body_ends_connection(port: int) -> None:
    """A body that continues after its response ends the connection."""
    with connect(port) as connection:
        connection.sendall(
            b"POST /api/stop HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000\r\n\r\nabc"
        )
        assert status_of(connection) == b"200"
        assert is_gone(connection)


@pytest.mark.usefixtures("impatient")
def test_slow_responses_stay(port: int, daemon: Daemon) -> None:
    """A stream and a slow response are left alone."""
    with connect(port) as stream:
        stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: bench.local\r\n\r\n")
        got = b""
        while got.count(b"event: heartbeat") < 1:  # two seconds: ten times the time for a head
            got += stream.recv(65536)
        assert got.startswith(b"HTTP/1.1 200")


def test_stop_despite_idle_flood(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest goes at once: no time-out, which here comes after an hour, has to make room."""
    monkeypatch.setattr(bounded_protocol, "MAX_CONNECTIONS", 60)
    monkeypatch.setattr(bounded_protocol, "HEAD_S", 3600.0)
    with ExitStack() as stack:
        streams = [stack.enter_context(connect(port)) for _ in range(20)]
        for stream in streams:
            stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: bench.local\r\n\r\n")
            assert stream.recv(15) == b"HTTP/1.1 200 OK"
        idle = [stack.enter_context(connect(port)) for _ in range(200)]
        for connection in idle[::3]:
            connection.sendall(HEAD)
        with connect(port) as last:
            last.sendall(STOP)
            assert status_of(last) == b"200"
        assert all(is_gone(connection) for connection in idle[:100])
        for stream in streams:
            assert stream.recv(65536), "streams stay"


def test_busy_server_drops_newest(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounded_protocol, "MAX_CONNECTIONS", 5)
    with ExitStack() as stack:
        for _ in range(5):
            stream = stack.enter_context(connect(port))
            stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: bench.local\r\n\r\n")
            assert stream.recv(15) == b"HTTP/1.1 200 OK"
        assert is_gone(stack.enter_context(connect(port)))
