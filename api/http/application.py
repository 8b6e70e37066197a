"""The application: routes, problems, page and live feed put together. No globals; it knows nothing of the hardware."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from pydantic.json_schema import models_json_schema
from starlette.middleware import Middleware

from api.access.auth import Access
from api.http.answer_headers import AnswerHeaders
from api.http.artwork_shelf import ArtworkShelf
from api.http.body_limit import BodyLimit
from api.http.context import AppContext
from api.http.guards.base import UPLOAD
from api.http.guards.order import tell_guards
from api.http.live import Heartbeat, LiveFeed
from api.http.models.status import RigKind, Status
from api.http.page_files import PAGE_DIRECTORY, PageMount
from api.http.problems import Problem, problem_handlers
from api.http.routes.artworks import UPLOAD_BOUNDS
from api.http.routes.router import api_routes
from controller.logbook.health import LogbookHealth
from controller.logbook.reader import LogbookReader
from controller.running.loop import Board
from controller.running.service import BenchService

_DESCRIPTION = """Counts coulombs instead of minutes: electrolytic etching to a depth.

Units stand in the names of all numbers. What is not known is null, never 0. Refusals are problem details (RFC 9457).
Stop is taken in every state. It is no emergency stop: fit a real one in the supply.

Looking is open on the studio's network, unless the settings say otherwise. Control, which is every POST but Stop, is for paired
devices: give the PIN that stands in the daemon's terminal or log to /api/pair once."""

_TAGS = [
    {"name": "status", "description": "How the bench stands, now and live."},
    {
        "name": "commands",
        "description": "Plan, start, pause, resume, acknowledge, stop; lifted, left in, first look.",
    },
    {"name": "readings", "description": "What was gauged and weighed, and what it changed."},
    {"name": "baths", "description": "What is in each bath, what it carried, what it teaches."},
    {"name": "artworks", "description": "Upload and measure a file, see what becomes of it."},
    {"name": "logbook", "description": "Past runs."},
    {"name": "rig", "description": "The rig check, the metals, the rehearsal's truth."},
    {"name": "pairing", "description": "Who may control. Stop needs no pairing."},
]


class BenchApi(FastAPI):
    """FastAPI whose document also holds the schemas of problems and heartbeats, which no route names as a model."""

    def openapi(self) -> dict[str, Any]:
        """Return the OpenAPI document."""
        document = super().openapi()
        _, extra = models_json_schema(
            [(Problem, "serialization"), (Heartbeat, "serialization")],
            ref_template="#/components/schemas/{model}",
        )
        for name, schema in extra["$defs"].items():
            document["components"]["schemas"].setdefault(name, schema)
        if "securitySchemes" not in document["components"]:
            tell_guards(document)
        return document


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
    addresses: Callable[[], Sequence[str]],
    truth: Callable[[], Any] | None = None,
    host_notes: Callable[[], Sequence[str]] = tuple,
    watchdog_s: float | None = None,
    guards: Sequence[Middleware] = (),
    page: Path = PAGE_DIRECTORY,
) -> FastAPI:
    """Return the application. Its ``state.live.end()`` ends the live streams; a server that is to end soon calls it first.

    :param access: who may control. ``guards`` hold others off (api.guards.bench_guards).
    :param artworks: where uploaded artworks are kept.
    :param addresses: returns the base addresses under which a phone reaches the bench.
    :param truth: returns what really happened on the rehearsal bench (an object or a mapping with the fields of
        RehearsalTruth); None on a real bench.
    :param host_notes: returns what is to be known of the machine, for the rig check. May block.
    :param watchdog_s: the loop's signs of life reach the service manager so often, s; None when nobody waits for them.
    :param guards: who may ask what; outermost first, before everything here. They must let Stop through.
    :param page: directory of the static page.
    """

    def status() -> Status:
        return Status.of(service.snapshot(), logbook_health(), rig_kind, version)

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
        addresses=addresses,
    )

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        feeding = asyncio.create_task(live.run())
        try:
            yield
        finally:
            live.end()
            await feeding

    app = BenchApi(
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
            Middleware(AnswerHeaders),
            *guards,
            Middleware(BodyLimit, others={UPLOAD: UPLOAD_BOUNDS}),
        ],
    )
    app.state.live = live
    app.router.routes += [*api_routes(context), PageMount(page)]
    return app
