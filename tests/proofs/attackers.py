"""Guests that attack the daemon, all in one process: ``python -m tests.proofs.attackers NAME PORT
ARTWORK``.

They go on until their standard input ends, then print what they did as JSON.
"""

from __future__ import annotations

import itertools
import json
import select
import selectors
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field

from api.http.door.spare import raise_descriptor_limit
from hardware.clock import SystemClock

HOST = b"Host: 127.0.0.1\r\n"
OPENED_A_ROUND = 50
DRIP_S = 1.0


def get(path: str) -> bytes:
    return f"GET {path} HTTP/1.1\r\n".encode() + HOST + b"\r\n"


UNREAD = get("/api/x") * 149 + get("/api/x")[:-2] + b"Connection: close\r\n\r\n"
BODY = (
    b"POST /api/pair HTTP/1.1\r\n"
    + HOST
    + b"Content-Type: application/json\r\nContent-Length: 90000\r\n\r\n{"
)


@dataclass(frozen=True, slots=True)
class Attack:
    """What each connection does.

    :param addresses: from how many addresses of the loopback network the connections come.
    :param payload: returns what a connection sends next; empty for nothing.
    :param reads: whether it reads the responses, and then sends the next payload.
    :param drips: whether it sends another byte each second.
    """

    addresses: int
    connections: int
    payload: Callable[[], bytes]
    reads: bool = True
    drips: bool = False


def attacks(artwork: str) -> dict[str, Attack]:
    """Return the attacks by name.

    :param artwork: one that is on the shelf.
    """
    depths_um = itertools.count(50)

    def previews() -> bytes:
        return b"".join(
            get(
                f"/api/artworks/{artwork}/preview.png"
                f"?depth_mm={next(depths_um) % 900 / 1000}&etch_factor=1"
            )
            for _ in range(10)
        )

    return {
        "descriptors": Attack(40, 3000, lambda: b"", reads=True),
        "bodies": Attack(40, 800, lambda: BODY, drips=True),
        "pipelines": Attack(40, 800, lambda: get("/api/status") * 40),
        "unread": Attack(40, 1200, lambda: UNREAD, reads=False),
        "previews": Attack(40, 200, previews),
        "documents": Attack(40, 200, lambda: get("/api/openapi.json") * 10),
    }


@dataclass
class Crowd:
    """All connections of an attack, opened again when they are closed."""

    attack: Attack
    port: int
    selector: selectors.BaseSelector = field(default_factory=selectors.DefaultSelector)
    unsent: dict[socket.socket, bytes] = field(default_factory=dict)
    opened: int = 0
    received_bytes: int = 0

    def round(self) -> None:
        """Open what is missing, then send and read what can be sent and read."""
        for _ in range(min(OPENED_A_ROUND, self.attack.connections - len(self.unsent))):
            self._open()
        for key, events in self.selector.select(0.01):
            connection = key.fileobj
            assert isinstance(connection, socket.socket)
            try:
                self._serve(connection, events)
            except BlockingIOError:
                continue
            except OSError:
                self._close(connection)

    def drip(self) -> None:
        """Send one more byte on each connection."""
        for connection in list(self.unsent):
            with suppress(OSError):
                connection.send(b" ")

    def close(self) -> None:
        """Close all connections."""
        for connection in list(self.unsent):
            self._close(connection)
        self.selector.close()

    def _open(self) -> None:
        connection = socket.socket()
        connection.setblocking(False)
        if not self.attack.reads:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        connection.bind((f"127.0.2.{1 + self.opened % self.attack.addresses}", 0))
        with suppress(BlockingIOError):
            connection.connect(("127.0.0.1", self.port))
        self.opened += 1
        self.unsent[connection] = self.attack.payload()
        self._watch(connection)

    def _serve(self, connection: socket.socket, events: int) -> None:
        if events & selectors.EVENT_WRITE:
            sent = connection.send(self.unsent[connection])
            self.unsent[connection] = self.unsent[connection][sent:]
        if events & selectors.EVENT_READ:
            got = connection.recv(1 << 20)
            if not got:
                raise ConnectionResetError
            self.received_bytes += len(got)
            if not self.unsent[connection] and not self.attack.drips:
                self.unsent[connection] = self.attack.payload()
        self._watch(connection)

    def _watch(self, connection: socket.socket) -> None:
        # Those that read nothing still see that the connection was reset.
        events = selectors.EVENT_READ if self.attack.reads else 0
        if self.unsent[connection]:
            events |= selectors.EVENT_WRITE
        with suppress(KeyError):
            self.selector.unregister(connection)
        if events:
            self.selector.register(connection, events)

    def forget_reset(self) -> None:
        """Close those that read nothing and were reset, to open others."""
        poll = select.poll()
        by_number = {connection.fileno(): connection for connection in self.unsent}
        for number in by_number:
            poll.register(number, 0)
        for number, _ in poll.poll(0):
            self._close(by_number[number])

    def _close(self, connection: socket.socket) -> None:
        with suppress(KeyError):
            self.selector.unregister(connection)
        del self.unsent[connection]
        connection.close()


def seconds(period_s: float) -> Iterator[bool]:
    """Return, once a round, whether a period has passed since the last time."""
    clock = SystemClock()
    at_s = clock.monotonic_s()
    while True:
        is_due = clock.monotonic_s() - at_s >= period_s
        if is_due:
            at_s = clock.monotonic_s()
        yield is_due


def main() -> None:
    name, port, artwork = sys.argv[1:4]
    raise_descriptor_limit()
    crowd = Crowd(attacks(artwork)[name], int(port))
    is_due = seconds(DRIP_S)
    rounds = 0
    while not select.select([sys.stdin], [], [], 0)[0]:
        crowd.round()
        if next(is_due):
            crowd.forget_reset()
            if crowd.attack.drips:
                crowd.drip()
        rounds += 1
        if rounds == 100:
            print("under way", flush=True)
    print(json.dumps({"opened": crowd.opened, "received_bytes": crowd.received_bytes}))


if __name__ == "__main__":
    main()
