"""The daemon on the rehearsal rig in a separate process, for tests with a browser."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from api.access.auth import BENCH_TOKEN_FILE, COOKIE
from tests.paths import ROOT

ANSWER_S = 60
LEAVES_WITHIN_S = 30
"""Bounds on hanging, not speeds."""

PLATE: dict[str, Any] = {
    "piece": "Tide lines, brooch plate",
    "metal": "fine-silver",
    "area_mm2": 712.0,
    "edge_mm": 640.0,
    "depth_mm": 0.25,
    "thickness_mm": 1.2,
    "current_a": 2.8,
}
"""A brooch plate of fine silver with fine lines."""


class PageBench:
    """``biteclock serve`` on the rehearsal bench.

    :param speed: virtual seconds per real second.
    :param faults: NAME@SECONDS.
    :param port: 0 takes a free one.
    """

    def __init__(
        self,
        state_directory: Path,
        speed: float = 30.0,
        faults: tuple[str, ...] = (),
        port: int = 0,
    ) -> None:
        self._state_directory = state_directory
        options = [word for fault in faults for word in ("--fault", fault)]
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "api.cli.command_line",
                "serve",
                "--rig",
                "rehearsal",
                "--speed",
                str(speed),
                "--port",
                str(port),
                "--state-directory",
                str(state_directory),
                *options,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=ROOT,
        )
        assert self.process.stdout is not None
        self.address = ""
        for line in self.process.stdout:
            self.address = next(
                (word for word in line.split() if word.startswith("http://127.0.0.1:")), ""
            )
            if self.address:
                break
        assert self.address, "the daemon printed no address"

    @property
    def cookie(self) -> Any:
        """The cookie of a device that may control: the token of this machine."""
        token = (self._state_directory / BENCH_TOKEN_FILE).read_text(encoding="ascii").strip()
        return {"name": COOKIE, "value": token, "url": self.address}

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        """Return the response of the API; while it is busy (503), try again at the next event."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self.cookie['value']}"}
        if body is not None:
            headers["Content-Type"] = "application/json"
        request = Request(
            self.address + path.lstrip("/"), data=data, method=method, headers=headers
        )
        for is_last in (False, False, False, True):
            try:
                with urlopen(request, timeout=ANSWER_S) as answer:
                    return json.load(answer)
            except HTTPError as error:
                if is_last or error.code != HTTPStatus.SERVICE_UNAVAILABLE:
                    raise
                error.close()
                next(status for status in self.events() if status["logbook_ready"])
        raise AssertionError("the last try returns or raises")

    def events(self) -> Iterator[dict[str, Any]]:
        """Yield each status that the daemon sends."""
        with urlopen(f"{self.address}api/events", timeout=ANSWER_S) as stream:
            for line in stream:
                if line.startswith(b"data:"):
                    status = json.loads(line[5:])
                    if "state" in status:
                        yield status

    def until(self, *states: str) -> dict[str, Any]:
        """Return the first status in one of the states."""
        return next(status for status in self.events() if status["state"] in states)

    def start(self, **changes: Any) -> str:
        """Start the plate as soon as the logbook has been checked; return the run."""
        next(status for status in self.events() if status["logbook_ready"])
        return str(self.ask("POST", "/api/start", {**PLATE, **changes})["run_id"])

    @contextmanager
    def frozen(self) -> Iterator[None]:
        """Freeze the process: connections stay open, and nothing answers."""
        self.process.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self.process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """Take the process away without a word, as a power cut does."""
        self.process.kill()
        self.process.communicate()

    def end(self) -> None:
        if self.process.poll() is not None:
            return
        gone = os.pidfd_open(self.process.pid)
        try:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            if not select.select([gone], [], [], LEAVES_WITHIN_S)[0]:
                self.process.kill()
        finally:
            os.close(gone)
        self.process.communicate()


@contextmanager
def page_bench(
    state_directory: Path, speed: float = 30.0, faults: tuple[str, ...] = (), port: int = 0
) -> Iterator[PageBench]:
    """Serve."""
    bench = PageBench(state_directory, speed, faults, port)
    try:
        yield bench
    finally:
        bench.end()
