"""What the routes use: the services, the logbook, and threads for each kind of request."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool

from api.access.auth import Access
from api.http.artworks.artwork_shelf import ArtworkShelf
from api.http.guards.base import IS_GUEST
from api.http.live import LiveFeed
from api.http.models.status import RigKind
from api.http.problem_kinds import LOGBOOK_UNREADABLE, MEASURING
from api.http.problems import ProblemError
from api.messenger.line import MessageLine
from controller.backup.desk import BackupDesk
from controller.logbook.health import LogbookHealth
from controller.logbook.reader import LogbookReader
from controller.ports import Calculate
from controller.recording.baths import BathShelf
from controller.running.loop import Board
from controller.running.plate_readings import PlateReadings
from controller.running.service import BenchService

Result = TypeVar("Result")


class Lane:
    """Runs blocking calls of one kind in threads, a few at once. The others wait without a thread.

    Together the lanes take fewer threads than the pool has, so that no kind of request can starve
    another. Where there is more than one thread, guests leave one to the paired devices.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self._turn = asyncio.Semaphore(width)
        self._guests = asyncio.Semaphore(max(1, width - 1))

    async def run(self, action: Callable[..., Result], *arguments: Any) -> Result:
        """Return what ``action(*arguments)`` returns."""
        async with self._guests if IS_GUEST.get() else nullcontext(), self._turn:
            return await run_in_threadpool(action, *arguments)


class Slot:
    """A place for one user. Others are refused. Belongs to the server's event loop."""

    def __init__(self) -> None:
        self._is_taken = False

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold the place. Raises: ProblemError when it is taken."""
        if self._is_taken:
            raise ProblemError(MEASURING, "http.artwork.busy")
        self._is_taken = True
        try:
            yield
        finally:
            self._is_taken = False


@dataclass(frozen=True, slots=True)
class AppContext:
    """Everything that a route may use.

    :param truth: returns the true values of the rehearsal rig; None on a real one.
    :param host_notes: returns notes on the machine for the rig check.
    :param addresses: returns the base addresses of the page for a phone.
    :param calculate: makes long tables, in another process where there is one.
    :param name: of the bench, or None.
    :param messages: asks the messenger.
    :param planning: one at a time. A plan computes for tens of ms, which the control loop needs.
    :param starting: plans, then starts.
    :param commands: waits for the control loop.
    :param reading: reads the logbook and small files.
    :param measuring: waits for the process that measures an artwork.
    :param messaging: waits for the messenger.
    :param backing_up: waits for the disk, for minutes.
    :param measurer: held by the request that measures.
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
    backups: BackupDesk
    addresses: Callable[[], Sequence[str]]
    calculate: Calculate
    messages: MessageLine
    name: str | None = None
    planning: Lane = field(default_factory=lambda: Lane(1))
    starting: Lane = field(default_factory=lambda: Lane(1))
    commands: Lane = field(default_factory=lambda: Lane(8))
    reading: Lane = field(default_factory=lambda: Lane(2))
    measuring: Lane = field(default_factory=lambda: Lane(1))
    messaging: Lane = field(default_factory=lambda: Lane(2))
    backing_up: Lane = field(default_factory=lambda: Lane(1))
    measurer: Slot = field(default_factory=Slot)

    @property
    def shelf(self) -> BathShelf:
        """Baths and readings. Raises: ProblemError without a logbook."""
        if self.service.shelf is None:
            raise ProblemError(LOGBOOK_UNREADABLE, "http.request.no_logbook")
        return self.service.shelf

    @property
    def readings(self) -> PlateReadings:
        """The readings of all runs. Raises: ProblemError without a logbook."""
        if self.service.readings is None:
            raise ProblemError(LOGBOOK_UNREADABLE, "http.request.no_logbook")
        return self.service.readings
