"""Rows 4 and 5: the daemon's start and memory, against a bare application."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

from hardware.clock import SystemClock
from tests.paths import ROOT
from tests.proofs.benchmarks.table import Line, Place, compared, interleaved

HANGS_S = 30.0
"""A bound on hanging, not a speed."""

STATUS = "/api/status"

BARE = """
import sys
import uvicorn
from fastapi import FastAPI, Response
{more}
app = FastAPI()
body = sys.stdin.buffer.read() or b'{{"state": "idle"}}'

@app.get("/api/status")
async def status() -> Response:
    return Response(body, media_type="application/json")

uvicorn.run(app, port=int(sys.argv[1]), log_level="warning", access_log=False)
"""
"""A bare application that answers with the bytes that it got."""

WITH_DRIVERS = """
from adafruit_ina219 import INA219
from gpiozero import Button, DigitalOutputDevice
from gpiozero.pins.mock import MockFactory
relay = DigitalOutputDevice(17, pin_factory=MockFactory())
"""


def free_port() -> int:
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        return int(taken.getsockname()[1])


def get(port: int, path: str = STATUS) -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode()


def receive(connection: socket.socket) -> tuple[bytes, bytes]:
    """Return head and body of a response that states its length."""
    data = b""
    while b"\r\n\r\n" not in data:
        part = connection.recv(65536)
        if not part:
            raise ConnectionError("the server ended the connection")
        data += part
    head, _, body = data.partition(b"\r\n\r\n")
    length = next(
        int(line[15:])
        for line in head.split(b"\r\n")
        if line.lower().startswith(b"content-length:")
    )
    while len(body) < length:
        body += connection.recv(65536)
    return head, body


def good_answer(port: int, path: str = STATUS) -> bytes:
    """Return the body of the first good answer, asking each ms until it comes."""
    clock = SystemClock()
    until_s = clock.monotonic_s() + HANGS_S
    while clock.monotonic_s() < until_s:
        with (
            suppress(OSError),
            socket.create_connection(("127.0.0.1", port), timeout=HANGS_S) as connection,
        ):
            connection.sendall(get(port, path))
            head, body = receive(connection)
            if head.startswith(b"HTTP/1.1 200"):
                return body
        select.select([], [], [], 0.001)
    raise TimeoutError(f"no good answer within {HANGS_S:g} s")


@contextmanager
def process(
    command: list[str], given: bytes = b"", environment: dict[str, str] | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a process; ask it to end afterwards, and kill it if it does not."""
    child = subprocess.Popen(
        command,
        cwd=ROOT,
        env={**os.environ, **(environment or {})},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert child.stdin is not None
    try:
        if given:
            child.stdin.write(given)
        child.stdin.flush()
        if given:
            child.stdin.close()
            child.stdin = None
        yield child
    finally:
        child.send_signal(signal.SIGTERM)
        try:
            child.communicate(timeout=10.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.communicate()


def bare(port: int, body: bytes = b'{"state": "idle"}', more: str = "") -> list[str]:
    """Return the command of the bare application; its body comes by standard input."""
    return [sys.executable, "-c", BARE.format(more=more), str(port)]


def daemon(port: int, state_directory: Path) -> list[str]:
    served = [
        "serve",
        "--rig",
        "rehearsal",
        "--port",
        str(port),
        "--state-directory",
        str(state_directory),
    ]
    return [sys.executable, "-m", "api.cli.command_line", *served]


def processor_s(pid: int) -> float:
    """Return the processor time of all threads of a process, s.

    Source: Linux, Documentation/scheduler/sched-stats.
    """
    return (
        sum(
            int((task / "schedstat").read_text().split()[0])
            for task in Path(f"/proc/{pid}/task").iterdir()
        )
        / 1e9
    )


Start = tuple[float, float]
"""Time by the clock and by the processor, s."""


def _bare_start() -> Start:
    clock, port = SystemClock(), free_port()
    began_s = clock.monotonic_s()
    with process(bare(port), b"{}") as child:
        good_answer(port)
        return clock.monotonic_s() - began_s, processor_s(child.pid)


def _to_answer() -> Start:
    clock, port = SystemClock(), free_port()
    with tempfile.TemporaryDirectory() as name:
        began_s = clock.monotonic_s()
        with process(daemon(port, Path(name))) as child:
            good_answer(port)
            return clock.monotonic_s() - began_s, processor_s(child.pid)


def _to_off() -> Start:
    """Return the time to the first message to the service manager, sent after a whole pass."""
    clock, port = SystemClock(), free_port()
    with (
        tempfile.TemporaryDirectory() as name,
        closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as manager,
    ):
        manager.bind(f"{name}/notify")
        manager.settimeout(HANGS_S)
        began_s = clock.monotonic_s()
        notify = {"NOTIFY_SOCKET": f"{name}/notify", "WATCHDOG_USEC": "5000000"}
        with process(daemon(port, Path(name)), environment=notify) as child:
            while b"WATCHDOG=1" not in manager.recv(4096):
                pass
            return clock.monotonic_s() - began_s, processor_s(child.pid)


def start(quick: bool) -> list[Line]:
    repetitions = 3 if quick else 15
    _to_answer(), _bare_start()
    baseline, place = "bare FastAPI app to its first good answer", Place(1.5)
    lines = []
    for what, ours in (
        ("start to relay proven off (first whole pass)", _to_off),
        ("start to the first good answer", _to_answer),
    ):
        starts = interleaved(ours, _bare_start, repetitions)
        by_clock = [(mine[0], theirs[0]) for mine, theirs in starts]
        by_processor = [(mine[1], theirs[1]) for mine, theirs in starts]
        lines.append(compared(4, what, by_clock, "s", baseline, place))
        lines.append(compared(4, "the same by processor time", by_processor, "s", baseline))
    return lines


def resident_mb(pid: int) -> float:
    """Return the resident memory, MB. Source: proc(5), VmRSS."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    raise ProcessLookupError(pid)


def _served_mb(command: list[str], port: int, given: bytes = b"") -> float:
    with process(command, given) as child:
        good_answer(port)
        with socket.create_connection(("127.0.0.1", port), timeout=HANGS_S) as connection:
            for _ in range(500):
                connection.sendall(get(port))
                receive(connection)
        return resident_mb(child.pid)


def memory(quick: bool) -> list[Line]:
    def ours() -> float:
        port = free_port()
        with tempfile.TemporaryDirectory() as name:
            return _served_mb(daemon(port, Path(name)), port)

    def theirs() -> float:
        port = free_port()
        return _served_mb(bare(port, more=WITH_DRIVERS), port, b"{}" * 500)

    pairs = interleaved(ours, theirs, 2 if quick else 7)
    baseline = "bare app with gpiozero and the driver"
    return [
        compared(
            5, "serving daemon, resident, after 500 requests", pairs, "MB", baseline, Place(1.3)
        )
    ]


def opened(stack: ExitStack, port: int, count: int) -> list[socket.socket]:
    """Return so many connections."""
    return [
        stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=HANGS_S))
        for _ in range(count)
    ]
