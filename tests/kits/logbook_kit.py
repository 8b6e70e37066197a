"""Entries and logbooks for the logbook's tests, on a virtual clock."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

from controller.logbook.entries import (
    Checkpoint,
    Mean,
    Progress,
    RawSample,
    RawSamples,
    ReadingKind,
    ReadingTaken,
    RunBegan,
    StateChanged,
)
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader, MeanSample
from controller.logbook.waiting_room import WaitingRoom
from controller.messages import Event, EventKind, RunState, TripReason
from controller.recording.baths import BathShelf
from hardware.clock import VirtualClock

UTC_0 = datetime(2031, 3, 4, 10, 0, tzinfo=UTC)

_NUMBERS = count(1)

_open: list[Logbook] = []


def closed_in_the_end(logbook: Logbook) -> Logbook:
    """Have a logbook closed when the test is over, whatever state the test leaves it in."""
    _open.append(logbook)
    return logbook


@contextmanager
def closing_logbooks() -> Iterator[None]:
    """Close those that the test opened."""
    before = len(_open)
    yield
    for logbook in _open[before:]:
        logbook._keeper.close()
    del _open[before:]


class ManualLogbook:
    """A logbook that is worked by hand on the test's own thread."""

    def __init__(
        self, path: Path, clock: VirtualClock | None = None, room: WaitingRoom | None = None
    ) -> None:
        self.path = path
        self.clock = clock or VirtualClock(UTC_0)
        self.logbook = closed_in_the_end(Logbook(path, self.clock, room=room, busy_timeout_s=0.0))
        self.reader = LogbookReader(path)

    def put(self, *entries: Any) -> None:
        for entry in entries:
            self.logbook.put(entry)

    def write(self, *entries: Any) -> None:
        """Put entries and have everything written, samples included."""
        self.put(*entries)
        self.logbook.work()
        self.clock.advance(10.0)
        self.logbook.work()
        assert self.logbook.health().waiting == 0, self.logbook.health()

    def begin(self, run_id: str = "r1", **changes: Any) -> None:
        """Write the beginning of a run that is running."""
        self.write(began(run_id, **changes), changed(run_id, RunState.RUNNING))

    def retry(self) -> None:
        """Let the longest wait between tries pass and work."""
        self.clock.advance(30.0)
        self.logbook.work()

    def reopened(self, clock: VirtualClock | None = None) -> ManualLogbook:
        """Close and open again as a new process does."""
        self.logbook.finish()
        book = ManualLogbook(self.path, clock or self.clock)
        book.logbook.work()
        return book

    def means(self, run_id: str = "r1") -> list[MeanSample]:
        return [row for chunk in self.reader.samples(run_id) for row in chunk]

    def ask(self, query: str) -> Any:
        """Return one value from the file, through another connection."""
        with closing(sqlite3.connect(self.path)) as connection:
            return connection.execute(query).fetchone()[0]


def began(run_id: str = "r1", **changes: Any) -> RunBegan:
    run = RunBegan(
        run_id=run_id,
        piece="leaf pendant",
        metal="fine-silver",
        bath="bath 2",
        started_at_utc=UTC_0,
        at_s=1000.0,
        target_depth_mm=0.25,
        planned_current_a=3.0,
        plan={"area_mm2": 767.0},
        settings={"poll_s": 0.02},
    )
    return replace(run, **changes)


def progress(charge_coulombs: float = 0.0, **changes: Any) -> Progress:
    known: dict[str, Any] = {
        "at_s": 1000.0,
        "elapsed_s": charge_coulombs / 3.0,
        "on_time_s": charge_coulombs / 3.0,
    }
    return Progress(charge_coulombs=charge_coulombs, **{**known, **changes})


def changed(
    run_id: str,
    state: RunState,
    charge_coulombs: float = 0.0,
    reason: TripReason | None = None,
    **changes: Any,
) -> StateChanged:
    return StateChanged(run_id, state, UTC_0, progress(charge_coulombs, **changes), reason)


def checkpoint(run_id: str, charge_coulombs: float, **changes: Any) -> Checkpoint:
    return Checkpoint(run_id, progress(charge_coulombs, **changes))


def mean(elapsed_s: int, current_a: float = 3.0, run_id: str = "r1", **changes: Any) -> Mean:
    row = Mean(
        run_id=run_id,
        elapsed_s=elapsed_s,
        on_time_s=elapsed_s + 0.97,
        current_a=current_a,
        voltage_v=2.5,
        charge_coulombs=3.0 * elapsed_s,
        depth_mm=elapsed_s / 2400.0,
        bath_degc=25.1,
    )
    return replace(row, **changes)


def raws(count: int, run_id: str = "r1", start_s: float = 0.0) -> RawSamples:
    return RawSamples(
        run_id,
        tuple(
            RawSample(start_s + 0.0686 * i, 3.0 + i / 1e3, 2.5, i % 7 == 0, True)
            for i in range(count)
        ),
    )


def note(text: str = "looked at the plate", run_id: str | None = "r1", **changes: Any) -> Event:
    return replace(Event(run_id, 1000.0, UTC_0, EventKind.NOTE, text), **changes)


def take(
    shelf: BathShelf,
    run_id: str,
    kind: ReadingKind,
    body: dict[str, Any],
    replaces: str | None = None,
) -> ReadingTaken:
    """Keep a reading as the bench would, without judging it."""
    reading_id = f"reading-{next(_NUMBERS)}"
    taken = ReadingTaken(reading_id, run_id, kind, UTC_0, replaces, body)
    shelf.keep(taken)
    return taken
