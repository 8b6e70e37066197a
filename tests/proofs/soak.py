"""A day at the bench in virtual time: hundreds of runs, with open pages. Reports what grows.

``python -m tests.proofs.soak --hours 24 --runs 500``
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import json
import os
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.request import urlopen

from controller.messages import RunState
from controller.planning.request import PlanRequest
from controller.safety.run import new_run
from tests.kits.api_client import Daemon, serve

WATCHERS = 4
PIECE = PlanRequest(
    metal="fine-silver",
    area_mm2=767.0,
    depth_mm=0.02,
    current_a=3.0,
    thickness_mm=1.2,
    piece="Reed panel",
)
"""Etched in three quarters of a minute; the rest of the time the bench waits, as it does."""

REST = frozenset({RunState.FINISHED, RunState.STOPPED, RunState.PAUSED, RunState.TRIPPED})


@dataclass(frozen=True, slots=True)
class Size:
    """What the process takes.

    :param memory_kb: resident, kB.
    :param objects: Python objects that the collector knows.
    """

    at_h: float
    runs: int
    memory_kb: int
    objects: int
    threads: int
    files: int
    book_kb: float

    def line(self) -> str:
        return (
            f"{self.at_h:6.2f} h  {self.runs:4d} runs  {self.memory_kb / 1024:6.1f} MB  "
            f"{self.objects:7d} objects  "
            f"{self.threads:3d} threads  {self.files:3d} files  {self.book_kb:8.0f} kB logbook"
        )


class Watcher:
    """A page: it follows the stream and asks for the status now and then, until the stream ends."""

    def __init__(self, address: str) -> None:
        self._address = address
        self.seen = 0
        self.asked = 0
        self.is_leaving = False
        self.thread = threading.Thread(target=self._body, daemon=True)
        self.thread.start()

    def _body(self) -> None:
        try:
            self._follow()
        except OSError:  # what it asked for just as the server ended
            if not self.is_leaving:
                raise

    def _follow(self) -> None:
        with urlopen(f"{self._address}/api/events", timeout=60) as stream:
            for line in stream:
                if line.startswith(b"data:"):
                    json.loads(line[5:])
                    self.seen += 1
                    if self.seen % 5 == 0:
                        self._ask()

    def _ask(self) -> None:
        for path in ("status", "health", "runs?limit=20"):
            with urlopen(f"{self._address}/api/{path}", timeout=60) as answer:
                answer.read()
            self.asked += 1


class Soak:
    """The daemon, its pages, and time that passes as fast as the machine can."""

    def __init__(self, directory: Path) -> None:
        self.daemon = Daemon(directory, guarded=True)
        self.began_at_s = self.daemon.clock.monotonic_s()
        self.worked_at_s = self.began_at_s
        self.runs = 0

    def pass_time(self, until_s: float, *states: RunState) -> None:
        """Let the loop make its passes until that time or one of the states."""
        daemon = self.daemon
        while (
            daemon.clock.monotonic_s() < until_s and daemon.assembly.supervisor.state not in states
        ):
            daemon.assembly.loop.step()
            daemon.clock.advance(0.02)
            if (
                daemon.clock.monotonic_s() - self.worked_at_s > 1.0
            ):  # as the logbook's own thread does
                self.worked_at_s = daemon.clock.monotonic_s()
                daemon.logbook.work()

    def run_one(self) -> None:
        """Etch one piece and take note of its end."""
        supervisor, service = self.daemon.assembly.supervisor, self.daemon.assembly.service
        supervisor.start(
            new_run(self.daemon.logbook.new_run_id(), service.plan(PIECE), service.settings.limits)
        )
        self.pass_time(self.daemon.clock.monotonic_s() + 600.0, *REST)
        assert supervisor.state is RunState.FINISHED, supervisor.message
        self.pass_time(self.daemon.clock.monotonic_s() + 10.0)
        supervisor.acknowledge()
        self.runs += 1

    def size(self) -> Size:
        """Return what the process takes now.

        The list of the objects takes 0.8 MB itself, and malloc keeps what it once had: it is made
        first, given back, and the heap trimmed, so that the memory is the daemon's and its pages'
        alone.
        """
        gc.collect()
        objects = len(gc.get_objects())
        ctypes.CDLL(None).malloc_trim(0)
        status = Path("/proc/self/status").read_text().splitlines()
        memory_kb = next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
        book = self.daemon.logbook.path
        book_kb = sum(path.stat().st_size for path in book.parent.glob(book.name + "*")) / 1024
        at_h = (self.daemon.clock.monotonic_s() - self.began_at_s) / 3600
        files = len(os.listdir("/proc/self/fd"))
        return Size(at_h, self.runs, memory_kb, objects, threading.active_count(), files, book_kb)


def soaked(
    directory: Path, hours: float, runs: int, report: Any = lambda _size: None, samples: int = 12
) -> list[Size]:
    """Return the sizes over some hours with evenly spread runs; the first after a tenth."""
    soak = Soak(directory)
    soak.pass_time(soak.began_at_s + 5.0)
    sizes: list[Size] = []
    with serve(soak.daemon.app) as address:
        watchers = [Watcher(address) for _ in range(WATCHERS)]
        for number in range(runs):
            soak.run_one()
            soak.pass_time(soak.began_at_s + (number + 1) * hours * 3600 / runs)
            if number + 1 >= runs // 10 and (number + 1) % max(1, runs // samples) == 0:
                sizes.append(soak.size())
                report(sizes[-1])
        assert all(watcher.seen > 0 and watcher.thread.is_alive() for watcher in watchers), (
            "a page lost its stream"
        )
        for watcher in watchers:
            watcher.is_leaving = True
    for watcher in watchers:
        watcher.thread.join(10.0)
    soak.daemon.close()
    return sizes


def growth(sizes: Sequence[Size]) -> str:
    """Return the growth per hour and per run; for memory, of the second half alone."""
    first, middle, last = sizes[0], sizes[len(sizes) // 2], sizes[-1]
    hours, runs = last.at_h - first.at_h, last.runs - first.runs
    return (
        f"from {first.at_h:.1f} h to {last.at_h:.1f} h: memory "
        f"{(last.memory_kb - first.memory_kb) / hours:+.1f} kB/h, "
        f"after run {middle.runs} "
        f"{(last.memory_kb - middle.memory_kb) / (last.runs - middle.runs):+.2f} kB a run, "
        f"objects {last.objects - first.objects:+d}, threads {last.threads - first.threads:+d}, "
        f"files {last.files - first.files:+d}, logbook "
        f"{(last.book_kb - first.book_kb) / runs:.1f} kB a run"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--runs", type=int, default=500)
    arguments = parser.parse_args()

    def report(size: Size) -> None:
        sys.stdout.write(size.line() + "\n")
        sys.stdout.flush()

    with tempfile.TemporaryDirectory() as place:
        sizes = soaked(Path(place) / "state", arguments.hours, arguments.runs, report)
    sys.stdout.write(growth(sizes) + "\n")


if __name__ == "__main__":
    main()
