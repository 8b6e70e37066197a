"""Row 6 and its growth: status requests against a bare endpoint, and many event streams."""

from __future__ import annotations

import json
import selectors
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from api.access.auth import read_bench_token
from hardware.clock import SystemClock
from tests.proofs.benchmarks.process import (
    HANGS_S,
    bare,
    free_port,
    get,
    good_answer,
    opened,
    process,
    processor_s,
    receive,
)
from tests.proofs.benchmarks.table import Line, Place, compared, grown, interleaved, single

CONNECTIONS = 8
STREAMS = (2, 20, 200)
"""Open event streams, at four messages a second each."""

PLATE = {
    "metal": "fine-silver",
    "area_mm2": 767.0,
    "depth_mm": 0.25,
    "current_a": 3.0,
    "thickness_mm": 1.2,
}


class Served:
    """A daemon in the middle of a run, in real time."""

    def __init__(self, child: subprocess.Popen[bytes], port: int, directory: Path) -> None:
        self.child = child
        self.port = port
        good_answer(port)
        token = read_bench_token(directory)
        self._headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        self._ask_until_taken("/api/start", PLATE)
        while self.status()["state"] != "running":
            self.read_streams([], 0.1)

    def status(self) -> dict[str, Any]:
        answer: dict[str, Any] = json.loads(good_answer(self.port))
        return answer

    def _ask_until_taken(self, path: str, body: Any) -> None:
        """Give a command, again while it is refused: the logbook is checked first."""
        clock = SystemClock()
        until_s = clock.monotonic_s() + HANGS_S
        request = Request(
            f"http://127.0.0.1:{self.port}{path}", json.dumps(body).encode(), self._headers
        )
        while True:
            try:
                with urlopen(request, timeout=HANGS_S):
                    return
            except HTTPError:
                if clock.monotonic_s() > until_s:
                    raise
                self.read_streams([], 0.1)

    def lateness_ms(self) -> dict[str, float]:
        """Return how late the loop's passes were since this was last asked, ms."""
        assert self.child.stdin is not None
        assert self.child.stdout is not None
        self.child.stdin.write(b"\n")
        self.child.stdin.flush()
        lines = (line for line in self.child.stdout if line.startswith(b"{"))
        return json.loads(next(lines))  # type: ignore[no-any-return]

    def read_streams(self, streams: list[socket.socket], seconds: float) -> int:
        """Read what comes for so long; return how many messages that were."""
        clock, messages = SystemClock(), 0
        until_s = clock.monotonic_s() + seconds
        with selectors.DefaultSelector() as selector:
            for stream in streams:
                selector.register(stream, selectors.EVENT_READ)
            while (left_s := until_s - clock.monotonic_s()) > 0.0:
                for key, _ in selector.select(left_s):
                    messages += key.fileobj.recv(65536).count(b"data: ")  # type: ignore[union-attr]
        return messages


@contextmanager
def served() -> Iterator[Served]:
    port = free_port()
    with tempfile.TemporaryDirectory() as name:
        command = [sys.executable, "-m", "tests.proofs.benchmarks.serving", name, str(port)]
        with process(command) as child:
            yield Served(child, port, Path(name))


def _ask_s(connections: list[socket.socket], port: int, count: int) -> float:
    """Return the time for so many requests, one under way on each connection, s."""
    clock, request = SystemClock(), get(port)
    began_s = clock.monotonic_s()
    for _ in range(count // len(connections)):
        for connection in connections:
            connection.sendall(request)
        for connection in connections:
            receive(connection)
    return clock.monotonic_s() - began_s


def requests_and_streams(quick: bool) -> list[Line]:
    with served() as ours:
        lines = _requests(ours, quick)
        return [*lines, *_streams(ours, 2.0 if quick else 6.0, 1 if quick else 3)]


def _requests(ours: Served, quick: bool) -> list[Line]:
    count, repetitions = (160, 5) if quick else (800, 21)
    port, body = free_port(), good_answer(ours.port)
    with process(bare(port), body) as child, ExitStack() as stack:
        assert good_answer(port) == body
        mine, theirs = opened(stack, ours.port, CONNECTIONS), opened(stack, port, CONNECTIONS)
        used: list[tuple[float, float]] = []

        def rate(connections: list[socket.socket], at_port: int) -> float:
            return count / _ask_s(connections, at_port, count)

        def cost_us(connections: list[socket.socket], at_port: int, pid: int) -> float:
            before_s = processor_s(pid)
            _ask_s(connections, at_port, count)
            return (processor_s(pid) - before_s) / count * 1e6

        rate(mine, ours.port), rate(theirs, port)
        rates = interleaved(lambda: rate(mine, ours.port), lambda: rate(theirs, port), repetitions)
        used = interleaved(
            lambda: cost_us(mine, ours.port, ours.child.pid),
            lambda: cost_us(theirs, port, child.pid),
            repetitions,
        )
        sizes = [80.0, 800.0, 8000.0] if quick else [200.0, 2000.0, 20000.0]
        growth = [
            [_ask_s(mine, ours.port, round(size)) for size in sizes]
            for _ in range(1 if quick else 3)
        ]
    baseline = f"bare FastAPI endpoint, the same {len(body)} bytes"
    return [
        compared(
            6,
            f"status requests, {CONNECTIONS} connections",
            rates,
            "a second",
            baseline,
            Place(0.8, is_least=True),
        ),
        compared(
            6, "processor time of the server (ours with its loop)", used, "us a request", baseline
        ),
        grown("row 6: status requests", sizes, growth, "s", 1.1),
    ]


def _streams(ours: Served, seconds: float, repetitions: int) -> list[Line]:
    shares: dict[int, list[float]] = {count: [] for count in (0, *STREAMS)}
    late_ms: dict[int, list[float]] = {count: [] for count in (0, *STREAMS)}
    rates = []
    for _ in range(repetitions):
        for count in shares:
            with ExitStack() as stack:
                streams = opened(stack, ours.port, count)
                for stream in streams:
                    stream.sendall(get(ours.port, "/api/events"))
                ours.read_streams(streams, 0.5)
                ours.lateness_ms()
                before_s = processor_s(ours.child.pid)
                messages = ours.read_streams(streams, seconds)
                shares[count].append((processor_s(ours.child.pid) - before_s) / seconds)
                late_ms[count].append(ours.lateness_ms()["p99"])
                if count == STREAMS[-1]:
                    rates.append(messages / count / seconds)
    most = STREAMS[-1]
    growth = [[shares[count][index] for count in STREAMS] for index in range(repetitions)]
    share = [
        (100.0 * mine, 100.0 * none) for mine, none in zip(shares[most], shares[0], strict=True)
    ]
    late = list(zip(late_ms[most], late_ms[0], strict=True))
    return [
        single(6, f"{most} event streams: messages to each", rates, "a second"),
        compared(
            6, f"{most} event streams: share of a core", share, "%", "no stream, the loop alone"
        ),
        compared(
            6, f"{most} event streams: 99 % of passes later by at most", late, "ms", "no stream"
        ),
        grown(
            "row 6: event streams, with the loop",
            [float(count) for count in STREAMS],
            growth,
            "share of a core",
            1.1,
        ),
    ]
