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

from api.body_limit import BodyLimit
from api.desk import Desk
from api.freshness import NoStore
from api.live import Heartbeat, LiveFeed
from api.page_files import PAGE_DIRECTORY, PageMount
from api.problems import Problem, problem_handlers
from api.routes import api_routes
from api.schemas_status import RigKind, Status
from controller.logbook.health import LogbookHealth
from controller.logbook.reader import LogbookReader
from controller.loop import Board
from controller.service import BenchService

_DESCRIPTION = """Counts coulombs instead of minutes: electrolytic etching to a depth.

Units stand in the names of all numbers. What is not known is null, never 0. Refusals are problem details (RFC 9457).
Stop is taken in every state. It is no emergency stop: fit a real one in the supply."""

_TAGS = [
    {"name": "status", "description": "How the bench stands, now and live."},
    {"name": "commands", "description": "Plan, start, pause, resume, acknowledge, stop."},
    {"name": "logbook", "description": "Past runs."},
    {"name": "rig", "description": "The rig check, the metals, the rehearsal's truth."},
]


class BenchApi(FastAPI):
    """FastAPI whose document also holds the schemas of problems and heartbeats, which no route names as a model."""

    def openapi(self) -> dict[str, Any]:
        """Return the OpenAPI document."""
        document = super().openapi()
        _, extra = models_json_schema(
            [(Problem, "serialization"), (Heartbeat, "serialization")], ref_template="#/components/schemas/{model}"
        )
        for name, schema in extra["$defs"].items():
            document["components"]["schemas"].setdefault(name, schema)
        return document


def create_app(
    *,
    service: BenchService,
    board: Board,
    book: LogbookReader,
    logbook_health: Callable[[], LogbookHealth],
    rig_kind: RigKind,
    version: str,
    truth: Callable[[], Any] | None = None,
    host_notes: Callable[[], Sequence[str]] = tuple,
    guards: Sequence[Middleware] = (),
    page: Path = PAGE_DIRECTORY,
) -> FastAPI:
    """Return the application. Its ``state.live.end()`` ends the live streams; a server that is to end soon calls it first.

    :param truth: returns what really happened on the rehearsal bench (an object or a mapping with the fields of
        RehearsalTruth); None on a real bench.
    :param host_notes: returns what is to be known of the machine, for the rig check. May block.
    :param guards: who may ask what; outermost first, before everything here. They must let Stop through.
    :param page: directory of the static page.
    """

    def status() -> Status:
        return Status.of(service.snapshot(), logbook_health(), rig_kind, version)

    live = LiveFeed(status)
    desk = Desk(
        service=service,
        board=board,
        status=status,
        book=book,
        logbook_health=logbook_health,
        rig_kind=rig_kind,
        version=version,
        truth=truth,
        host_notes=host_notes,
        live=live,
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
        middleware=[*guards, Middleware(NoStore), Middleware(BodyLimit)],
    )
    app.state.live = live
    for router in api_routes(desk):
        app.include_router(router)
    app.router.routes.append(PageMount(page))
    return app
