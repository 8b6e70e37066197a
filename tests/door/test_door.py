"""The door: Stop, paired devices and the Pi get their places, whatever guests do."""

from __future__ import annotations

import os
import resource
import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest

from api.access.auth import COOKIE
from api.http.door import bounded_protocol
from api.http.door.places import Kind, Member, Places
from api.http.server import WebServer
from tests.kits.api_client import WAIT_S, Daemon, serving_at
from tests.kits.raw_http import HEAD, METALS, STOP, STREAM, connect, is_gone, status_of


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


@contextmanager
def port_of(daemon: Daemon, **places: int) -> Iterator[int]:
    with serving_at(WebServer(daemon.app, Places(**places))) as port:
        yield port


def cookie_of(daemon: Daemon) -> bytes:
    return f"Cookie: {COOKIE}={daemon.access.store.add('phone')[1]}\r\n".encode()


def streaming(port: int, address: str, cookie: bytes = b"") -> socket.socket:
    """Open a live stream from an address."""
    stream = connect(port, address)
    stream.sendall(STREAM[:-2] + cookie + b"\r\n")
    assert stream.recv(15) == b"HTTP/1.1 200 OK"
    return stream


def test_stop_despite_idle_flood(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest goes at once: no time-out, which here comes after an hour, has to make room."""
    monkeypatch.setattr(bounded_protocol, "HEAD_S", 3600.0)
    with port_of(daemon, waiting=20) as port, ExitStack() as stack:
        streams = [stack.enter_context(streaming(port, "127.0.0.1")) for _ in range(20)]
        idle = [stack.enter_context(connect(port, f"127.0.1.{n % 3 + 1}")) for n in range(200)]
        for connection in idle[::3]:
            connection.sendall(HEAD)
        with connect(port) as last:
            last.sendall(STOP)
            assert status_of(last) == b"200"
        assert all(is_gone(connection) for connection in idle[:100])
        for stream in streams:
            assert stream.recv(65536), "streams stay"


def test_guest_beyond_share_is_refused(daemon: Daemon) -> None:
    """The refusal is a whole response. Another address still has its share, and so has Stop."""
    with port_of(daemon, guest=8, guest_of_one_address=5) as port, ExitStack() as stack:
        for _ in range(5):
            stack.enter_context(streaming(port, "127.0.0.2"))
        with connect(port, "127.0.0.2") as sixth:
            sixth.sendall(METALS)
            assert status_of(sixth) == b"503"
            assert is_gone(sixth)
        with connect(port, "127.0.0.2") as same_address:
            same_address.sendall(STOP)
            assert status_of(same_address) == b"200"
            assert is_gone(same_address), "a place of Stop is for one request"
        with connect(port, "127.0.0.3") as other:
            other.sendall(METALS)
            assert status_of(other) == b"200"


def test_paired_never_make_room(daemon: Daemon) -> None:
    """Guests take all their places and ask for more. The paired device keeps its stream."""
    with port_of(daemon, guest=4) as port, ExitStack() as stack:
        cookie = cookie_of(daemon)
        kept = stack.enter_context(streaming(port, "127.0.0.2", cookie))
        for _ in range(4):
            stack.enter_context(streaming(port, "127.0.0.2"))
        for _ in range(20):
            with connect(port, "127.0.0.2") as guest:
                guest.sendall(METALS)
                status_of(guest)
        with connect(port, "127.0.0.2") as paired:
            paired.sendall(METALS[:-2] + cookie + b"\r\n")
            assert status_of(paired) == b"200", "a new connection of a paired device"
        assert kept.recv(65536)


def test_wrong_cookie_is_guest(daemon: Daemon) -> None:
    with (
        port_of(daemon, guest=1) as port,
        streaming(port, "127.0.0.2"),
        connect(port, "127.0.0.2") as guest,
    ):
        guest.sendall(METALS[:-2] + f"Cookie: {COOKIE}=guessed\r\n\r\n".encode())
        assert status_of(guest) == b"503"


def test_split_stop_line(daemon: Daemon) -> None:
    """Stop that arrives byte by byte is recognised."""
    with (
        port_of(daemon, guest=1) as port,
        streaming(port, "127.0.0.2"),
        connect(port, "127.0.0.2") as slow,
    ):
        for byte in STOP:
            slow.sendall(bytes([byte]))
        assert status_of(slow) == b"200"


def test_long_head_arrives_whole(daemon: Daemon) -> None:
    """A head beyond the bytes that the door looks at is read on by the server."""
    with port_of(daemon) as port, connect(port) as guest:
        guest.sendall(HEAD + b"X-Long: " + b"a" * 20_000 + b"\r\n\r\n")
        assert status_of(guest) == b"200"


def test_half_a_head_and_end(daemon: Daemon) -> None:
    """A client that ends its sending in the middle of a head is gone. Nobody waits for more."""
    with port_of(daemon) as port, connect(port) as guest:
        guest.sendall(HEAD)
        guest.shutdown(socket.SHUT_WR)
        assert is_gone(guest)


def test_unread_responses_end(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """A guest pipelines requests, the last of which ends the connection, and never reads.

    The connection is closing with less unsent than starts a write timer. It counts until it is
    gone, and it goes after three seconds, here shortened.
    """
    monkeypatch.setattr(bounded_protocol, "DRAIN_S", 0.2)
    asked = b"GET /api/x HTTP/1.1\r\nHost: bench.local\r\n"
    server = WebServer(daemon.app)
    were_closing: set[Member] = set()
    with serving_at(server) as port, ExitStack() as stack:
        for count in range(100, 200, 10):  # some leave the right amount in the buffers
            greedy = stack.enter_context(connect(port, "127.0.0.2", buffer_bytes=2048))
            greedy.sendall((asked + b"\r\n") * count + asked + b"Connection: close\r\n\r\n")
        for _ in range(3000):
            with connect(port, "127.0.0.3") as person:
                person.sendall(STOP)
                assert status_of(person) == b"200"
            present = server.book.members(Kind.GUEST)
            were_closing |= {guest for guest in present if guest.transport.is_closing()}
            if were_closing and not were_closing & set(present):
                return
    raise AssertionError("they hold their places")


def test_stop_without_descriptors(daemon: Daemon) -> None:
    """Every descriptor of the process is taken. Stop gets in."""
    with port_of(daemon) as port, socket.socket() as guest, socket.socket() as person:
        with connect(port) as first:
            first.sendall(STOP)
            assert status_of(first) == b"200", "the server runs"
        with no_descriptor_left():
            for client in (guest, person):
                client.settimeout(WAIT_S)
                client.connect(("127.0.0.1", port))
            person.sendall(STOP)
            assert status_of(person) == b"200"


@contextmanager
def no_descriptor_left() -> Iterator[None]:
    """Take all descriptors of this process."""
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = max(int(name) for name in os.listdir("/proc/self/fd")) + 20
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, limits[1]))
    taken = []
    try:
        with suppress(OSError):
            while True:
                taken.append(os.dup(0))
        yield
    finally:
        for descriptor in taken:
            os.close(descriptor)
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)


def test_local_socket_has_places(daemon: Daemon, tmp_path: Path) -> None:
    """Guests have all their places, and the local socket too many connections. It still serves."""
    file = str(tmp_path / "control.sock")
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(file)
    listener.listen()
    server = WebServer(daemon.app, Places(guest=1, local=4))
    with serving_at(server, listener) as port, ExitStack() as stack:
        stack.enter_context(streaming(port, "127.0.0.2"))
        for _ in range(10):
            local = stack.enter_context(socket.socket(socket.AF_UNIX))
            local.settimeout(WAIT_S)
            local.connect(file)
        local.sendall(METALS)
        assert status_of(local) == b"200"
        assert len(server.book.members(Kind.LOCAL)) <= 4
