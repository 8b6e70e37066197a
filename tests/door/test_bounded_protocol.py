"""Connections that send little or nothing are closed, and never keep Stop out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.http.door import bounded_protocol
from tests.kits.api_client import Daemon, serve
from tests.kits.raw_http import HEAD, connect, is_gone, status_of


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
