"""A way to the daemon on which live streams can go dead without a word, as on a phone's network."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

CHUNK_BYTES = 65_536
STREAM = b"GET /api/events"


class Way:
    """Passes bytes on between browser and daemon.

    ``hush`` leaves the streams of the present open and passes nothing more of them; what comes
    later passes.
    """

    def __init__(self, address: str) -> None:
        target = urlsplit(address)
        assert target.hostname is not None
        self._target = (target.hostname, target.port)
        self._door = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._door.getsockname()[1]}/"
        self._open: list[socket.socket] = []
        self.streams: list[threading.Event] = []
        """One for each stream that was asked for; set when it is hushed."""
        self._thread = threading.Thread(target=self._let_in, daemon=True)
        self._thread.start()

    def _let_in(self) -> None:
        while True:
            try:
                browser, _ = self._door.accept()
            except OSError:
                return
            daemon = socket.create_connection(self._target)
            self._open += [browser, daemon]
            hushed = threading.Event()
            for source, sink in ((browser, daemon), (daemon, browser)):
                arguments = (source, sink, hushed, source is browser)
                threading.Thread(target=self._pass_on, args=arguments, daemon=True).start()

    def _pass_on(
        self, source: socket.socket, sink: socket.socket, hushed: threading.Event, is_asking: bool
    ) -> None:
        try:
            while chunk := source.recv(CHUNK_BYTES):
                if is_asking and STREAM in chunk:
                    self.streams.append(hushed)
                if not hushed.is_set():
                    sink.sendall(chunk)
            sink.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # one of the two has gone

    def hush(self) -> None:
        for stream in self.streams:
            stream.set()

    def close(self) -> None:
        self._door.shutdown(socket.SHUT_RDWR)
        self._door.close()
        self._thread.join()
        for end in self._open:
            end.close()


@contextmanager
def way_to(address: str) -> Iterator[Way]:
    """Keep a path to an address open."""
    way = Way(address)
    try:
        yield way
    finally:
        way.close()
