"""Measures the passes of the control loop under load, by hand: ``python -m tests.proofs.pace
[--seconds 20] [--faults 30]``. Not a test.

A real daemon on the rehearsal rig in real time, in the middle of a run, on a bus whose transfers
release the interpreter's lock for as long as real ones take. A pass lasts from the end of a wait to
the beginning of the next. Each load is measured right after idle, so that what else the machine
does falls on both.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from api.access.auth import read_bench_token
from controller.config import Settings
from hardware.clock import SystemClock, SystemPacer
from tests.proofs.benchmarks.process import free_port, good_answer, process
from tests.proofs.benchmarks.table import machine, percentile
from tests.proofs.pace.book import PLATE, write_book
from tests.proofs.pace.load import STREAMS, Clients

LOADS: dict[str, tuple[tuple[str, ...], int]] = {
    "one phone plans": (("planning",), 0),
    "a bath with 300 readings": (("learning",), 0),
    "a curve": (("curve",), 0),
    "an export": (("export",), 0),
    "the API document": (("document",), 0),
    "previews": (("previews",), 0),
    f"{STREAMS} streams": ((), STREAMS),
    "everything": (
        (
            "planning",
            "planning, another phone",
            "learning",
            "curve",
            "export",
            "list of runs",
            "previews",
        ),
        STREAMS,
    ),
}


def passes(child: subprocess.Popen[bytes], seconds: float) -> dict[str, float]:
    """Return the figures of the passes of the next seconds."""
    asked(child)
    clock = SystemClock()
    SystemPacer(clock).wait_until(clock.monotonic_s() + seconds)
    return asked(child)


def asked(child: subprocess.Popen[bytes], what: str = "passes") -> dict[str, float]:
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(f"{what}\n".encode())
    child.stdin.flush()
    lines = (line for line in child.stdout if line.startswith(b"{"))
    return json.loads(next(lines))  # type: ignore[no-any-return]


def row(what: str, found: dict[str, float]) -> str:
    figures = [
        f"{found[f'{name}_p{percent}_ms']:.1f}"
        for name in ("pass", "late")
        for percent in (50, 99, 100)
    ]
    return " | ".join(("", what, f"{found['passes']:.0f}", *figures, "")).strip()


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.proofs.pace")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--faults", type=int, default=0, help="faults for each time to off")
    parser.add_argument("--only", action="append", default=[], help="names of loads")
    given = parser.parse_args()
    print(machine())
    print("| load | passes | pass p50, ms | p99 | worst | late p50, ms | p99 | worst |")
    print("|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        write_book(Path(name) / Settings().logbook.path)
        port = free_port()
        command = [sys.executable, "-m", "tests.proofs.pace.daemon", name, str(port)]
        with process(command) as child:
            good_answer(port)
            clients = Clients(port, read_bench_token(Path(name)) or "")
            clients.upload()
            _start(clients)
            for what, (loads, streams) in LOADS.items():
                if given.only and what not in given.only:
                    continue
                print(row("idle", passes(child, given.seconds / 2)), flush=True)
                with clients.busy(loads, streams):
                    passes(child, 1.0)
                    before = dict(clients.counts)
                    print(row(what, passes(child, given.seconds)), flush=True)
                done = {k: v - before.get(k, 0) for k, v in clients.counts.items()}
                print({k: v for k, v in done.items() if v}, file=sys.stderr)
            if given.faults:
                print_times_to_off(child, clients, given.faults)
    return 0


def times_to_off(
    child: subprocess.Popen[bytes], clients: Clients, count: int
) -> tuple[list[float], int]:
    """Return how long the relay stayed on after so many faults, ms, and how often beyond 5 s."""
    found, missed = [], 0
    clock = SystemClock()
    pacer = SystemPacer(clock)
    for number in range(count):
        # At any phase of a conversion, and past the first seconds with their own limits.
        pacer.wait_until(clock.monotonic_s() + 4.0 + (number * 0.37) % 1.0)
        off_ms = asked(child, "fault")["off_ms"]
        if off_ms is None:
            missed += 1
        else:
            found.append(off_ms)
        while json.loads(clients.send("/api/status"))["relay_on"]:
            pacer.wait_until(clock.monotonic_s() + 0.1)
        for command in ("acknowledge", "stop", "acknowledge"):
            clients.until_taken(f"/api/{command}", {})
        _start(clients)
    return found, missed


def print_times_to_off(child: subprocess.Popen[bytes], clients: Clients, count: int) -> None:
    print("\n| load | faults | off after p50, ms | p99 | worst | not within 5 s |")
    print("|---|---|---|---|---|---|")
    loads, streams = LOADS["everything"]
    for what in ("idle", "everything"):
        with clients.busy(loads if what != "idle" else (), streams if what != "idle" else 0):
            found, missed = times_to_off(child, clients, count)
        figures = [f"{percentile(found or [0.0], percent):.0f}" for percent in (50, 99, 100)]
        print(" | ".join(("", what, f"{count}", *figures, f"{missed}", "")).strip(), flush=True)


def _start(clients: Clients) -> None:
    clock = SystemClock()
    pacer = SystemPacer(clock)
    body: dict[str, Any] = {**PLATE, "bath": None}
    clients.until_taken("/api/start", body)
    while json.loads(clients.send("/api/status"))["state"] != "running":
        pacer.wait_until(clock.monotonic_s() + 0.2)


if __name__ == "__main__":
    sys.exit(main())
