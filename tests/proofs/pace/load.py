"""What people ask of the daemon all at once, each in a loop of its own."""

from __future__ import annotations

import json
import selectors
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any
from urllib.request import Request, urlopen

from hardware.clock import SystemClock, SystemPacer
from tests.proofs.benchmarks.process import HANGS_S, get, opened
from tests.proofs.pace.book import BATH, LONGEST, PLATE

STREAMS = 200

DRAWING = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="40mm" viewBox="0 0 60 40">'
    + b"".join(b'<rect x="%d" y="5" width="1" height="30"/>' % x for x in range(5, 55, 3))
    + b"</svg>"
)


class Clients:
    """Sends requests to a daemon without rest, from several threads.

    :param counts: answers so far, by the name of the load.
    """

    def __init__(self, port: int, token: str) -> None:
        self._address = f"http://127.0.0.1:{port}"
        self._port = port
        self._headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        self.counts: dict[str, int] = {}
        self._over = threading.Event()
        self._artwork = ""
        self._depth_mm = 0.0

    def send(self, path: str, body: Any = None) -> bytes:
        """Return the body of a response. Raises: OSError."""
        data = None if body is None else json.dumps(body).encode()
        request = Request(self._address + path, data, self._headers)
        with urlopen(request, timeout=HANGS_S) as response:
            return response.read()  # type: ignore[no-any-return]

    def until_taken(self, path: str, body: Any) -> None:
        """Send a command again until it is taken: the loop checks the rig and the logbook first.

        Raises: OSError after 30 s.
        """
        clock = SystemClock()
        pacer = SystemPacer(clock)
        until_s = clock.monotonic_s() + HANGS_S
        while True:
            try:
                self.send(path, body)
                return
            except OSError:
                if clock.monotonic_s() > until_s:
                    raise
                pacer.wait_until(clock.monotonic_s() + 0.2)

    def loads(self) -> dict[str, Callable[[], object]]:
        """Return what is asked, by name."""
        return {
            "planning": lambda: self.send("/api/plan", PLATE),
            "planning, another phone": lambda: self.send("/api/plan", PLATE),
            "learning": lambda: self.send(f"/api/baths/{BATH}"),
            "curve": lambda: self.send(f"/api/runs/{LONGEST}/samples?points=1000"),
            "export": lambda: self.send(f"/api/runs/{LONGEST}/samples?format=csv"),
            "list of runs": lambda: self.send("/api/runs?limit=50"),
            "previews": self._preview,
            "document": lambda: self.send("/api/openapi.json"),
        }

    def upload(self) -> None:
        """Upload a drawing, of which pictures are then asked for. Raises: OSError."""
        headers = {**self._headers, "Content-Type": "image/svg+xml"}
        request = Request(f"{self._address}/api/artworks?name=grid.svg", DRAWING, headers)
        with urlopen(request, timeout=HANGS_S) as response:
            self._artwork = json.load(response)["artwork"]

    def _preview(self) -> bytes:
        """Ask for a picture that nobody has asked for: another undercut each time."""
        self._depth_mm = self._depth_mm % 0.4 + 0.01
        query = f"depth_mm={self._depth_mm:.2f}&etch_factor=1"
        return self.send(f"/api/artworks/{self._artwork}/preview.png?{query}")

    @contextmanager
    def busy(self, names: tuple[str, ...], streams: int = 0) -> Iterator[None]:
        """Send these without rest, and read so many live streams."""
        self._over.clear()
        asked = self.loads()
        threads = [
            threading.Thread(target=self._repeat, args=(name, asked[name])) for name in names
        ]
        if streams:
            threads.append(threading.Thread(target=self._read_streams, args=(streams,)))
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            self._over.set()
            for thread in threads:
                thread.join()

    def _repeat(self, name: str, action: Callable[[], object]) -> None:
        while not self._over.is_set():
            with suppress(OSError):
                action()
                self.counts[name] = self.counts.get(name, 0) + 1

    def _read_streams(self, count: int) -> None:
        with ExitStack() as stack, selectors.DefaultSelector() as selector:
            for stream in opened(stack, self._port, count):
                stream.sendall(get(self._port, "/api/events"))
                selector.register(stream, selectors.EVENT_READ)
            while not self._over.is_set():
                for key, _ in selector.select(0.1):
                    key.fileobj.recv(65536)  # type: ignore[union-attr]
