"""Times Stop idle and under six attacks by guests: ``make stop-under-attack``.

A daemon of the rehearsal rig runs in one process, the attackers in another, both on this machine.
Each attack begins during a run. Stop must end it, and everything must come back afterwards.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from hardware.clock import SystemClock
from tests.kits.daemon_child import Process
from tests.paths import ROOT
from tests.proofs.attackers import attacks
from tests.proofs.benchmarks.table import percentile

HANG_S = 30.0
PAUSE_S = 0.01
SETTLED_S = 15.0
"""Time after an attack, s: longer than a connection may wait for its first request."""

BENCH = "127.0.0.1"
STOP = b"POST /api/stop HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 0\r\n\r\n"
SVG = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm">'
    b'<rect x="2" y="2" width="16" height="16"/></svg>'
)


def answer_to(port: int, request: bytes, address: str = BENCH) -> dict[str, Any]:
    """Send one request on a new connection and return the JSON of the response."""
    with socket.create_connection((BENCH, port), HANG_S, (address, 0)) as person:
        person.sendall(request)
        got = b""
        while b"\r\n\r\n" not in got:
            piece = person.recv(65536)
            assert piece, "closed without a response"
            got += piece
        head, _, body = got.partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200"), head
        length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
        while len(body) < length:
            body += person.recv(65536)
    result: dict[str, Any] = json.loads(body)
    return result


def timed(port: int, request: bytes, times: int) -> tuple[list[float], int]:
    """Return how long each response took, s, and how many failed."""
    clock, took_s, failed = SystemClock(), [], 0
    for _ in range(times):
        at_s = clock.monotonic_s()
        try:
            answer = answer_to(port, request)
            assert answer.get("relay_on") is not True
        except (OSError, AssertionError):
            failed += 1
        took_s.append(clock.monotonic_s() - at_s)
        threading.Event().wait(PAUSE_S)
    return sorted(took_s), failed


class Bench:
    """The daemon, with an artwork on its shelf."""

    def __init__(self, directory: Path) -> None:
        self.process = Process(directory, 1.0)
        self.port = int(self.process.address.rstrip("/").rsplit(":", 1)[1])
        token = (directory / "bench-token").read_text().strip()
        self.paired = (
            f"GET /api/status HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n\r\n"
        ).encode()
        self._upload = (
            f"POST /api/artworks?name=proof.svg HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            f"Authorization: Bearer {token}\r\nContent-Type: image/svg+xml\r\n"
            f"Content-Length: {len(SVG)}\r\nConnection: close\r\n\r\n"
        ).encode() + SVG

    def upload(self) -> str:
        with socket.create_connection((BENCH, self.port), HANG_S) as person:
            person.sendall(self._upload)
            got = b"".join(iter(lambda: person.recv(65536), b""))
        assert got.startswith(b"HTTP/1.1 201"), got[:300]
        return str(json.loads(got.partition(b"\r\n\r\n")[2])["artwork"])

    def descriptors(self) -> int:
        return len(os.listdir(f"/proc/{self.process.pid}/fd"))

    def memory_mb(self) -> float:
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(status.split("VmRSS:")[1].split()[0]) / 1024


def row(name: str, took_s: list[float], failed: int, further: str) -> str:
    p50, p99, most = (percentile(took_s, percent) * 1e3 for percent in (50, 99, 100))
    return (
        f"| {name} | {p50:.0f} | {p99:.0f} | {most:.0f} | {failed} of {len(took_s)} | {further} |"
    )


def attacked(bench: Bench, name: str, artwork: str, times: int) -> str:
    """Attack during a run, time Stop, and see that everything comes back."""
    attack = attacks(artwork)[name]
    before, log_before = bench.descriptors(), len(bench.process.errors())
    bench.process.running(1.0)
    with subprocess.Popen(
        [sys.executable, "-m", "tests.proofs.attackers", name, str(bench.port), artwork],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as crowd:  # fmt: skip
        assert crowd.stdin is not None
        assert crowd.stdout is not None
        crowd.stdout.readline()
        took_s, failed = timed(bench.port, STOP, times)
        phone_s, phone_failed = timed(bench.port, bench.paired, times // 4)
        most, memory_mb = bench.descriptors(), bench.memory_mb()
        did = json.loads(crowd.communicate("end\n")[0].splitlines()[-1])
    status = answer_to(bench.port, bench.paired)
    assert status["state"] == "stopped", status["state"]
    bench.process.client.post("/api/acknowledge", {})
    threading.Event().wait(SETTLED_S)
    further = (
        f"{attack.connections} from {attack.addresses} addresses, {did['opened']} opened"
        f" | {percentile(phone_s, 99) * 1e3:.0f}, {phone_failed} failed"
        f" | {before}, {most}, {bench.descriptors()} | {memory_mb:.0f}"
        f" | {(len(bench.process.errors()) - log_before) / 1000:.1f}"
    )
    return row(name, took_s, failed, further)


def main() -> None:
    options = ArgumentParser(description=__doc__)
    options.add_argument("--stops", type=int, default=300)
    options.add_argument("--only", nargs="*", default=None)
    wanted = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        bench = Bench(Path(place))
        try:
            artwork = bench.upload()
            print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
            print(
                "| attack | Stop p50, ms | p99, ms | worst, ms | failed | connections"
                " | paired status p99, ms | descriptors before, most, after | memory, MB"
                " | log, kB |"
            )
            print("|---|---|---|---|---|---|---|---|---|---|")
            idle_s, failed = timed(bench.port, STOP, wanted.stops)
            print(row("idle", idle_s, failed, "- | - | - | - | -"), flush=True)
            for name in wanted.only or attacks(artwork):
                print(attacked(bench, name, artwork, wanted.stops), flush=True)
        finally:
            bench.process.close()


if __name__ == "__main__":
    main()
