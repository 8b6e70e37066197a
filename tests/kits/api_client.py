"""A whole daemon for the tests of the API, on the rehearsal rig; loop and server on demand."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx

from api.access.auth import BENCH_TOKEN_FILE, Access
from api.http.application import create_app
from api.http.artworks.artwork_shelf import ArtworkShelf
from api.http.guards.order import all_guards
from api.http.server import WebServer
from controller.artwork.client import measure as measure_in_process
from controller.assembly import Assembly, assemble
from controller.backup.desk import BackupDesk
from controller.backup.form import Places
from controller.config import parse_settings
from controller.logbook.bath_reader import BathReader
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader
from controller.messages import RunState, Sample, Snapshot
from controller.ports import Calculate, PowerSensor, calculate_here
from controller.recording.baths import BathShelf
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.running.loop import Board
from controller.texts import Message
from hardware.clock import LockstepPacer, SystemClock
from hardware.rehearsal.faults.by_name import parse_fault
from hardware.rehearsal.spec import RehearsalSpec
from hardware.rig import Rig, build_rehearsal_rig
from tests.kits.logbook_kit import closed_in_the_end

SPEED = 40.0
"""Virtual seconds per real second while a loop runs in a thread."""

WAIT_S = 60.0
"""Longest real wait for a thread: a bound on hanging, not a speed."""

ADDRESSES = ("http://192.0.2.7:8420/", "http://bench.local:8420/")
"""Addresses of the bench. Source of the first: RFC 5737, for documentation."""

SILVER = {
    "metal": "fine-silver",
    "area_mm2": 767.0,
    "depth_mm": 0.25,
    "current_a": 3.0,
    "thickness_mm": 1.2,
}


class WedgingSensor:
    """The rig's sensor, which can be made to block in the middle of a poll as a stuck bus does."""

    def __init__(self, sensor: PowerSensor) -> None:
        self._sensor = sensor
        self.range_a = sensor.range_a
        self.blocks = False
        self.blocked = threading.Event()
        self.released = threading.Event()

    def poll(self) -> Sample | None:
        if self.blocks:
            self.blocked.set()
            self.released.wait(WAIT_S)
            self.blocks = False
        return self._sensor.poll()

    def look_again(self) -> None:
        self._sensor.look_again()

    @contextmanager
    def wedged(self) -> Iterator[None]:
        """Block the loop in a poll."""
        self.blocked.clear()
        self.released.clear()
        self.blocks = True
        try:
            assert self.blocked.wait(WAIT_S)
            yield
        finally:
            self.released.set()


@dataclass
class FakeHeart:
    """The machine's clock, moved by hand: decides how long the loop has been silent."""

    now_s: float = 1000.0
    real: SystemClock = field(default_factory=SystemClock)

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_now(self) -> Any:
        return self.real.utc_now()

    def is_utc_set(self) -> bool:
        return True

    def boot_id(self) -> str:
        return "heart"


class Watch:
    """A follower that lets a test wait for a snapshot.

    :param pacer: the loop's. It does not wait in real time while a test waits for virtual time.
    """

    def __init__(self, pacer: LockstepPacer) -> None:
        self._pacer = pacer
        self._seen = threading.Condition()
        self._snapshot: Snapshot | None = None
        self._wanted: Callable[[Snapshot], bool] | None = None
        self._found: Snapshot | None = None

    def follow(self, snapshot: Snapshot, _outbox: Any) -> None:
        with self._seen:
            self._snapshot = snapshot
            if self._wanted is not None and self._wanted(snapshot):
                self._found, self._wanted = snapshot, None
                self._pacer._speed = SPEED
                self._seen.notify_all()

    def when(self, wanted: Callable[[Snapshot], bool]) -> Snapshot:
        """Return the first snapshot from now on that is as wanted."""
        with self._seen:
            self._found, self._wanted = None, wanted
            self._pacer._speed = None
            assert self._seen.wait_for(lambda: self._found is not None, WAIT_S), self._snapshot
            assert self._found is not None
            return self._found

    def until(self, *states: RunState) -> None:
        if self._snapshot is None or self._snapshot.state not in states:
            self.when(lambda snapshot: snapshot.state in states)

    def until_on_time(self, on_time_s: float) -> None:
        self.when(lambda snapshot: (snapshot.on_time_s or 0.0) >= on_time_s)

    def pass_s(self, seconds: float) -> None:
        """Wait for so much virtual time, as for the current to fall to zero."""
        first: list[float] = []

        def is_over(snapshot: Snapshot) -> bool:
            first[:] = first or [snapshot.at_s]
            return snapshot.at_s >= first[0] + seconds

        self.when(is_over)


class Daemon:
    """Everything but the threads, which ``looping`` and ``served`` lend.

    :param guarded: with the guards of the real daemon, under the names bench.local and bench.
    :param measure: measures artworks; default: the real one, in a separate process.
    """

    def __init__(
        self,
        directory: Path,
        *,
        faults: tuple[str, ...] = (),
        tables: dict[str, Any] | None = None,
        guarded: bool = False,
        measure: Any = measure_in_process,
        calculate: Calculate = calculate_here,
        **app: Any,
    ) -> None:
        directory.mkdir(exist_ok=True)
        settings = parse_settings(tables or {})
        rig = build_rehearsal_rig(
            settings, RehearsalSpec(), [parse_fault(text) for text in faults], SPEED
        )
        self.sensor = WedgingSensor(rig.sensor)
        self.rig: Rig = replace(rig, sensor=self.sensor)
        self.clock: Any = rig.clock
        self.heart = FakeHeart()
        self.board = Board(self.heart)
        self.logbook = closed_in_the_end(Logbook(directory / "book.sqlite", self.rig.clock))
        self.logbook.work()
        self.watch = Watch(self.rig.pacer)
        self.why_not_ready: Message | None = None
        book = LogbookReader(self.logbook.path)
        self.shelf = BathShelf(self.logbook, BathReader(book), self.clock, settings, calculate)
        self.access = Access(
            directory, self.heart, view_needs_pairing=settings.server.view_needs_pairing
        )
        self.bench_token = (directory / BENCH_TOKEN_FILE).read_text()
        self.artworks = ArtworkShelf(directory / "artworks", self.heart, measure=measure)
        self.assembly: Assembly = assemble(
            self.rig,
            settings,
            board=self.board,
            followers=(Journal(RunRecorder(), self.logbook, self.rig.clock, settings), self.watch),
            not_ready=lambda: self.why_not_ready or self.backups.not_ready(),
            new_run_id=self.logbook.new_run_id,
            shelf=self.shelf,
            calculate=calculate,
        )
        self.backups = BackupDesk(
            Places(self.logbook.path, directory),
            settings,
            self.heart,
            program_version="1.2.3",
            state=lambda: self.assembly.service.snapshot().state,
            why_not_known=lambda: self.why_not_ready,
        )
        known: dict[str, Any] = {
            "service": self.assembly.service,
            "board": self.board,
            "book": book,
            "logbook_health": self.logbook.health,
            "rig_kind": "rehearsal",
            "version": "1.2.3",
            "access": self.access,
            "artworks": self.artworks,
            "backups": self.backups,
            "addresses": lambda: ADDRESSES,
            "calculate": calculate,
            "guards": all_guards(self.access, ("bench.local", "bench")) if guarded else (),
            "truth": self.rig.model.truth if self.rig.model is not None else None,
        }
        self.app = create_app(**{**known, **app})

    def step(self, times: int = 80) -> None:
        """Run passes of 20 ms on this thread; the rig check needs fewer than 80."""
        for _ in range(times):
            self.assembly.loop.step()
            self.clock.advance(0.02)

    def close(self) -> None:
        self.logbook.finish()

    @contextmanager
    def looping(self) -> Iterator[None]:
        """Run the loop in a thread."""
        thread = threading.Thread(target=self.assembly.loop.run, name="loop", daemon=True)
        thread.start()
        try:
            yield
        finally:
            self.sensor.released.set()
            self.assembly.loop.end()
            thread.join(WAIT_S)
            assert not thread.is_alive()

    @contextmanager
    def served(self) -> Iterator[httpx.Client]:
        """Serve on an ephemeral loopback port in a thread; gives a client."""
        with (
            serve(self.app) as address,
            # Reading the certificate authorities takes longer than the request, and plain HTTP
            # needs none.
            httpx.Client(base_url=address, timeout=WAIT_S, verify=False) as client,
        ):
            yield client


@contextmanager
def serve(app: Any) -> Iterator[str]:
    """Serve an application in a thread; gives its address."""
    with serving_at(WebServer(app)) as port:
        yield f"http://127.0.0.1:{port}"


@contextmanager
def serving_at(server: WebServer, *further: socket.socket) -> Iterator[int]:
    """Run a server in a thread; gives its port.

    :param further: sockets on which it listens as well.
    """
    listener = socket.create_server(("127.0.0.1", 0), backlog=1024)
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listener, *further]}, name="http", daemon=True
    )
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(WAIT_S)
        assert not thread.is_alive()


def events_of(answer: httpx.Response) -> Iterator[dict[str, Any]]:
    """Return the events of a stream as they come: id, event, data as JSON."""
    event: dict[str, Any] = {}
    for line in answer.iter_lines():
        name, _, value = line.partition(": ")
        if line:
            event[name] = value
        elif event:
            yield {"event": "message", **event, "data": json.loads(event["data"])}
            event = {}


def ask(
    app: Any,
    method: str,
    path: str,
    *,
    client: tuple[str, int] = ("127.0.0.1", 123),
    **request: Any,
) -> httpx.Response:
    """Return the application's response without a server. Not for live streams, which have no end.

    :param client: address from which the request comes.
    """

    async def asked() -> httpx.Response:
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False, client=client)
        async with httpx.AsyncClient(
            transport=transport, base_url="http://bench.local:8420"
        ) as asking:
            return await asking.request(method, path, **request)

    return asyncio.run(asked())


def assert_problem(answer: httpx.Response, status: int, slug: str) -> dict[str, Any]:
    """Check the members of RFC 9457 section 3.1 and return the problem."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem: dict[str, Any] = answer.json()
    assert problem["type"] == f"/problems/{slug}"
    assert problem["status"] == status
    assert all(
        isinstance(problem[name], str) and problem[name] for name in ("title", "detail", "instance")
    )
    assert None not in problem.values()
    return problem
