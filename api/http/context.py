"""What the routes talk to: the bench, the board, the logbook, and how much of the machine each kind of request may take."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool

from api.access.auth import Access
from api.http.artwork_shelf import ArtworkShelf
from api.http.live import LiveFeed
from api.http.models.status import RigKind
from api.http.problem_kinds import LOGBOOK_UNREADABLE, MEASURING
from api.http.problems import ProblemError
from controller.logbook.health import LogbookHealth
from controller.logbook.reader import LogbookReader
from controller.recording.baths import BathShelf
from controller.running.loop import Board
from controller.running.plate_readings import PlateReadings
from controller.running.service import BenchService

Result = TypeVar("Result")


class Lane:
    """Calls that block go to a thread, only so many of a kind at once; the others wait without one.

    Together the lanes take fewer threads than the pool has, so that no kind of request can starve another one.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self._turn = asyncio.Semaphore(width)

    async def run(self, action: Callable[..., Result], *arguments: Any) -> Result:
        """Return what ``action(*arguments)`` returns."""
        async with self._turn:
            return await run_in_threadpool(action, *arguments)


class Seat:
    """For one at a time, all others are sent away. Belongs to the server's event loop."""

    def __init__(self) -> None:
        self._is_taken = False

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Hold it meanwhile. Raises: ProblemError when it is taken."""
        if self._is_taken:
            raise ProblemError(
                MEASURING, "another artwork is being received or measured: ask again in a moment"
            )
        self._is_taken = True
        try:
            yield
        finally:
            self._is_taken = False


@dataclass(frozen=True, slots=True)
class AppContext:
    """Everything that a route may use.

    :param truth: what really happened on the rehearsal bench; None on a real one.
    :param host_notes: returns what is to be known of the machine, for the rig check.
    :param addresses: returns the base addresses under which a phone reaches the bench.
    :param planning: one at a time: it computes for tens of ms and would take the processor from the control loop.
    :param starting: plans, too.
    :param commands: wait for the loop's answer.
    :param reading: reads the logbook, and small files.
    :param measuring: waits for the process that measures an artwork; ``measurer`` says who may.
    """

    service: BenchService
    board: Board
    book: LogbookReader
    logbook_health: Callable[[], LogbookHealth]
    rig_kind: RigKind
    version: str
    truth: Callable[[], Any] | None
    host_notes: Callable[[], Sequence[str]]
    watchdog_s: float | None
    live: LiveFeed
    access: Access
    artworks: ArtworkShelf
    addresses: Callable[[], Sequence[str]]
    planning: Lane = field(default_factory=lambda: Lane(1))
    starting: Lane = field(default_factory=lambda: Lane(1))
    commands: Lane = field(default_factory=lambda: Lane(8))
    reading: Lane = field(default_factory=lambda: Lane(2))
    measuring: Lane = field(default_factory=lambda: Lane(1))
    measurer: Seat = field(default_factory=Seat)

    @property
    def shelf(self) -> BathShelf:
        """Baths and readings. Raises: ProblemError where there is no logbook."""
        if self.service.shelf is None:
            raise ProblemError(
                LOGBOOK_UNREADABLE, "there is no logbook to keep baths and readings in"
            )
        return self.service.shelf

    @property
    def readings(self) -> PlateReadings:
        """The readings of all runs. Raises: ProblemError where there is no logbook."""
        if self.service.readings is None:
            raise ProblemError(LOGBOOK_UNREADABLE, "there is no logbook to keep readings in")
        return self.service.readings
