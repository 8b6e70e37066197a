"""Floods the daemon and times the loop and Stop: ``python -m tests.proofs.flood``.

The clients run in a separate process, so that their work does not count as the daemon's.
"""

from __future__ import annotations

import json
import resource
import socket
import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from hardware.clock import LockstepPacer, SystemClock
from tests.kits.api_client import Daemon, serve

STREAMS = 260
HALF_OPEN = 150
BODIES = 60
FROM_ONE_ADDRESS = 20
STOPS = 300
PERIOD_S = 0.02
HANG_S = 60.0

HEAD = b"Host: bench.local\r\n"


@dataclass(frozen=True, slots=True)
class Flooded:
    """What happened: lateness of ticks in s, and what the clients met."""

    calm_late_s: list[float]
    late_s: list[float]
    stop_s: list[float]
    streams: int
    refused: int
    grown_kb: int


def connect(port: int, number: int = 0) -> socket.socket:
    """Connect from one of the addresses of a crowd, or from the Pi's own."""
    source = f"127.0.1.{1 + (number - 1) // FROM_ONE_ADDRESS}" if number else "127.0.0.1"
    return socket.create_connection(("127.0.0.1", port), HANG_S, (source, 0))


def pour(port: int) -> dict[str, object]:
    """Be all clients: open unread streams, send endless heads and bodies, press Stop repeatedly."""
    clock, open_ones, streams, refused = SystemClock(), [], 0, 0
    for number in range(STREAMS):
        stream = connect(port, number + 1)
        stream.sendall(b"GET /api/events HTTP/1.1\r\n" + HEAD + b"\r\n")
        open_ones.append(stream)
    for stream in open_ones:
        answer = stream.recv(16)
        streams += answer.startswith(b"HTTP/1.1 200")
        refused += answer.startswith(b"HTTP/1.1 503")
    for number in range(HALF_OPEN):
        dribble = connect(port, number + 1)
        dribble.sendall(b"GET /api/status HTTP/1.1\r\nX-Slow: ")
        open_ones.append(dribble)
    for number in range(BODIES):
        body = connect(port, number + 1)
        body.sendall(
            b"POST /api/pair HTTP/1.1\r\n"
            + HEAD
            + b"Content-Type: application/json\r\nContent-Length: 90000\r\n\r\n{"
        )
        open_ones.append(body)
    stops = []
    for number in range(STOPS):
        for slow in open_ones[STREAMS::7]:
            with suppress(OSError):
                slow.sendall(b"a")
        at_s = clock.monotonic_s()
        with connect(port) as person:
            person.sendall(
                b"POST /api/stop HTTP/1.1\r\nContent-Length: 0\r\n"
                + HEAD
                + b"Connection: close\r\n\r\n"
            )
            answer = b""
            while piece := person.recv(65536):
                answer += piece
        assert answer.startswith(b"HTTP/1.1 200"), f"Stop {number}: {answer[:200]!r}"
        assert b'"relay_on":false' in answer
        stops.append(clock.monotonic_s() - at_s)
    return {"stop_s": stops, "streams": streams, "refused": refused}


def flooded(directory: Path) -> Flooded:
    """Return what a flood does to a bench whose loop keeps real time."""
    daemon = Daemon(directory, guarded=True)
    daemon.assembly.loop._pacer = LockstepPacer(daemon.clock, 1.0)
    clock, ticks = SystemClock(), []
    step = daemon.assembly.loop.step

    def timed_step() -> None:
        ticks.append(clock.monotonic_s())
        step()

    daemon.assembly.loop.step = timed_step  # type: ignore[method-assign]
    with daemon.looping(), serve(daemon.app) as address:
        port = address.rsplit(":", 1)[1]
        subprocess.run(
            [sys.executable, "-c", "import tests.proofs.flood"], check=True
        )  # as long as an import takes, the bench is calm
        calm = len(ticks)
        memory_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        done = subprocess.run(
            [sys.executable, "-m", "tests.proofs.flood", port],
            check=True,
            stdout=subprocess.PIPE,
            text=True,
        )
        grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory_kb
    daemon.close()
    return Flooded(
        late(ticks[:calm]), late(ticks[calm:]), grown_kb=grown_kb, **json.loads(done.stdout)
    )


def late(ticks: list[float]) -> list[float]:
    """Return how much later than a period each tick came, s, in rising order."""
    return sorted(max(0.0, after - before - PERIOD_S) for before, after in pairwise(ticks))


def share(values: list[float], percent: int) -> float:
    return values[min(len(values) - 1, len(values) * percent // 100)]


def main() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 4096)), hard))
    if len(sys.argv) > 1:
        sys.stdout.write(json.dumps(pour(int(sys.argv[1]))))
        return
    with tempfile.TemporaryDirectory() as place:
        seen = flooded(Path(place) / "state")
    stops = sorted(seen.stop_s)
    for name, values in (("calm", seen.calm_late_s), ("flood", seen.late_s)):
        sys.stdout.write(
            f"{name}: {len(values)} ticks, late p50 {share(values, 50) * 1e3:.1f} ms, p99 "
            f"{share(values, 99) * 1e3:.1f} ms, "
            f"most {values[-1] * 1e3:.1f} ms\n"
        )
    sys.stdout.write(
        f"Stop: {len(stops)} times, p50 {share(stops, 50) * 1e3:.0f} ms, p99 "
        f"{share(stops, 99) * 1e3:.0f} ms, "
        f"most {stops[-1] * 1e3:.0f} ms\n"
        f"streams: {seen.streams} open, {seen.refused} refused; memory "
        f"{seen.grown_kb / 1024:+.1f} MB\n"
    )


if __name__ == "__main__":
    main()
