"""The application: routes, problems, page and live feed together. It knows no hardware."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from starlette.middleware import Middleware

from api.access.auth import Access
from api.http.answer_headers import AnswerHeaders
from api.http.arrival import Arrival, ArrivalNote
from api.http.artworks.artwork_shelf import ArtworkShelf
from api.http.body_limit import BodyLimit
from api.http.context import AppContext
from api.http.document import DocumentedApi
from api.http.guards.base import RESTORE, UPLOAD
from api.http.live import LiveFeed
from api.http.models.status import RigKind, Status
from api.http.page_files import PAGE_DIRECTORY, PageMount
from api.http.problems import problem_handlers
from api.http.routes.artworks import UPLOAD_BOUNDS
from api.http.routes.backup import RESTORE_BOUNDS
from api.http.routes.router import api_routes
from api.messenger.line import MessageLine
from controller.backup.desk import BackupDesk
from controller.logbook.health import LogbookHealth
from controller.logbook.reader import LogbookReader
from controller.ports import Calculate, calculate_here
from controller.running.loop import Board
from controller.running.service import BenchService

_DESCRIPTION = """Counts coulombs instead of minutes: electrolytic etching to a depth.

The name of every number ends in its unit. A value that is not known is null, never 0. Refusals
are problem details (RFC 9457). Stop works in every state. It is not an emergency stop: fit a real
one in the supply.

Everybody on the studio's network may look, unless the settings say otherwise. Artworks, and
control, which is every POST except Stop, need a paired device: send the PIN to /api/pair once. The
command "biteclock pair" shows it, and so does a paired device."""

_TAGS = [
    {"name": "status", "description": "State of the rig and of the run, now and live."},
    {
        "name": "commands",
        "description": "Plan, start, pause, resume and stop a run. Report on the plate.",
    },
    {"name": "readings", "description": "Gauge readings and weighings, and what they changed."},
    {
        "name": "baths",
        "description": "What is in each bath, its charge, and what its readings show.",
    },
    {"name": "artworks", "description": "Upload and measure a file, and see what will be etched."},
    {"name": "logbook", "description": "Past runs."},
    {"name": "rig", "description": "The rig check, the metals, the true values of a rehearsal."},
    {"name": "backup", "description": "Download a backup, or restore one."},
    {"name": "pairing", "description": "Who may control. Stop needs no pairing."},
]


def create_app(
    *,
    service: BenchService,
    board: Board,
    book: LogbookReader,
    logbook_health: Callable[[], LogbookHealth],
    rig_kind: RigKind,
    version: str,
    access: Access,
    artworks: ArtworkShelf,
    backups: BackupDesk,
    addresses: Callable[[], Sequence[str]],
    calculate: Calculate = calculate_here,
    truth: Callable[[], Any] | None = None,
    host_notes: Callable[[], Sequence[str]] = tuple,
    watchdog_s: float | None = None,
    name: str | None = None,
    guards: Sequence[Middleware] = (),
    page: Path = PAGE_DIRECTORY,
) -> FastAPI:
    """Return the application.

    A server that shuts down calls ``state.live.end()`` first, which ends the live streams.

    :param access: who may control. ``guards`` refuse the others (api.http.guards.order).
    :param artworks: where uploaded artworks are kept.
    :param backups: makes backups and restores them.
    :param addresses: returns the base addresses of the page for a phone.
    :param calculate: makes long tables, in another process where there is one.
    :param truth: returns the true values of the rehearsal rig, as an object or a mapping with the
        fields of RehearsalTruth; None on a real rig.
    :param host_notes: returns notes on the machine for the rig check. May block.
    :param watchdog_s: interval at which the loop feeds the service manager's watchdog, s; None
        without a watchdog.
    :param name: of the bench, or None.
    :param guards: middleware before everything here, outermost first. It must let Stop through.
    :param page: directory of the static page.
    """

    def status() -> Status:
        return Status.of(service.snapshot(), logbook_health(), rig_kind, version, name)

    def arrival() -> Arrival:
        return Arrival(board.now_s(), service.asked_off())

    live = LiveFeed(status)
    context = AppContext(
        service=service,
        board=board,
        book=book,
        logbook_health=logbook_health,
        rig_kind=rig_kind,
        version=version,
        truth=truth,
        host_notes=host_notes,
        watchdog_s=watchdog_s,
        live=live,
        access=access,
        artworks=artworks,
        backups=backups,
        addresses=addresses,
        calculate=calculate,
        name=name,
        messages=MessageLine(service.settings.messages.socket),
    )

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        feeding = asyncio.create_task(live.run())
        try:
            yield
        finally:
            live.end()
            await feeding

    app = DocumentedApi(
        title="biteclock",
        version=version,
        description=_DESCRIPTION,
        openapi_tags=_TAGS,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
        exception_handlers=problem_handlers(),
        middleware=[
            Middleware(ArrivalNote, now=arrival),
            Middleware(AnswerHeaders),
            *guards,
            Middleware(BodyLimit, others={UPLOAD: UPLOAD_BOUNDS, RESTORE: RESTORE_BOUNDS}),
        ],
    )
    app.state.live = live
    app.state.access = access
    app.router.routes += [*api_routes(context), PageMount(page)]
    return app
