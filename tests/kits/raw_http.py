"""HTTP by hand, for clients that no library would be."""

from __future__ import annotations

import socket

from tests.kits.api_client import WAIT_S

HEAD = b"GET /api/metals HTTP/1.1\r\nHost: bench.local\r\n"
STOP = b"POST /api/stop HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n\r\n"
METALS = HEAD + b"\r\n"
STREAM = b"GET /api/events HTTP/1.1\r\nHost: bench.local\r\n\r\n"


def connect(
    port: int, address: str = "127.0.0.1", *, buffer_bytes: int | None = None
) -> socket.socket:
    """Connect from an address of the loopback network, perhaps with a small receive buffer."""
    connection = socket.socket()
    if buffer_bytes is not None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
    connection.settimeout(WAIT_S)
    connection.bind((address, 0))
    connection.connect(("127.0.0.1", port))
    return connection


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
        piece = connection.recv(65536)
        assert piece, "closed before the answer was whole"
        got += piece
    head, _, body = got.partition(b"\r\n\r\n")
    length = next(
        int(line.split(b":")[1])
        for line in head.lower().split(b"\r\n")
        if line.startswith(b"content-length")
    )
    while len(body) < length:
        body += connection.recv(65536)
    return head.split()[1]
