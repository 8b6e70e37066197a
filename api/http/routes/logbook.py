"""The runs in the logbook."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from api.http.context import AppContext
from api.http.models.base import PLAIN_TEXT
from api.http.models.runs import (
    EventList,
    EventTold,
    PointList,
    RawList,
    RunList,
    RunListed,
    RunTold,
    SecondList,
)
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import BAD_VALUE, LOGBOOK_UNREADABLE, UNKNOWN_RUN
from api.http.tables.csv_export import csv_lines
from api.http.tables.table_pieces import (
    EVENTS,
    EVENTS_AT_ONCE,
    POINTS,
    RAW_SAMPLES,
    SAMPLES,
    Format,
    Table,
    table_pieces,
)
from api.http.tables.table_stream import table_response

MAX_POINTS = 5000
"""Most points of a reduced curve: more than any screen has columns."""

RunId = Annotated[
    str,
    Path(description="Name of the run. No unit.", examples=["20260314-091500-7"], max_length=100),
]
As = Annotated[
    Format, Query(description="json, or csv with units in the header. No unit.", examples=["csv"])
]

_READING = (LOGBOOK_UNREADABLE, BAD_VALUE)
_OF_A_RUN = (*_READING, UNKNOWN_RUN)


def _or_csv(model: Any, example: str) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI response of a table that comes as JSON or as CSV."""
    return {
        200: {
            "model": model,
            "content": {"text/csv": {"schema": {"type": "string"}, "example": example}},
        }
    }


def book_routes(context: AppContext) -> APIRouter:
    """Return the routes that read the logbook."""
    router = APIRouter(tags=["logbook"])
    book, reading = context.book, context.reading

    async def table(table: Table, kind: Format, run_id: str, *details: Any) -> Response:
        pieces = await reading.run(
            context.calculate.pieces, table_pieces, table, kind, book, run_id, *details
        )
        return table_response(reading, kind, run_id, table.key, pieces)

    @router.get(
        "/api/runs",
        operation_id="listRuns",
        summary="List runs, newest first",
        responses=problem_responses(*_OF_A_RUN),
    )
    async def list_runs(
        limit: Annotated[
            int, Query(description="Most runs in the answer. No unit.", examples=[50], ge=1, le=200)
        ] = 50,
        before: Annotated[
            str | None,
            Query(
                description="next_before of the part before. No unit.",
                examples=["20260301-140211-3"],
                max_length=100,
            ),
        ] = None,
        search: Annotated[
            str,
            Query(
                description="Words that all occur in piece, metal, bath or state. No unit.",
                examples=["fern silver"],
                max_length=200,
                pattern=PLAIN_TEXT,
            ),
        ] = "",
    ) -> RunList:
        """One part at a time. Give next_before as before to get the next part."""
        page = await reading.run(book.list_runs, limit, before, search)
        return RunList(
            runs=tuple(RunListed.of(run) for run in page.runs), next_before=page.next_before
        )

    @router.get(
        "/api/runs/{run_id}",
        operation_id="getRun",
        summary="One run with its plan and settings",
        responses=problem_responses(*_OF_A_RUN),
    )
    async def get_run(run_id: RunId) -> RunTold:
        """The plan's request can be planned and started again."""
        return RunTold.of(await reading.run(book.run, run_id))

    @router.get(
        "/api/runs/{run_id}/events",
        operation_id="listEvents",
        summary="What happened in a run, oldest first",
        responses={
            **_or_csv(EventList, "number,at_utc,on_time_s,kind,text,data\r\n"),
            **problem_responses(*_OF_A_RUN),
        },
    )
    async def list_events(
        run_id: RunId,
        format: As = "json",
        after: Annotated[
            int,
            Query(
                description="next_after of the part before. No unit.", examples=[0], ge=0, le=2**53
            ),
        ] = 0,
        limit: Annotated[
            int,
            Query(
                description="Most events in a JSON answer. No unit.", examples=[500], ge=1, le=1000
            ),
        ] = EVENTS_AT_ONCE,
    ) -> Response:
        """JSON in parts, CSV as a whole."""
        if format == "csv":
            return await table(EVENTS, format, run_id, after)
        found = await reading.run(book.events, run_id, after, limit)
        part = EventList(
            events=tuple(EventTold.model_validate(event) for event in found),
            next_after=found[-1].number if len(found) == limit else None,
        )
        return Response(part.model_dump_json(), media_type="application/json")

    @router.get(
        "/api/runs/{run_id}/samples",
        operation_id="listSamples",
        summary="The curve of a run: each second, or fewer points with the extremes kept",
        responses={
            **_or_csv(
                SecondList | PointList,
                next(csv_lines(())),
            ),
            **problem_responses(*_OF_A_RUN),
        },
    )
    async def list_samples(
        run_id: RunId,
        format: As = "json",
        points: Annotated[
            int | None,
            Query(
                description="Most points of a reduced curve. No unit.",
                examples=[600],
                ge=1,
                le=MAX_POINTS,
            ),
        ] = None,
    ) -> Response:
        """Without points: every second, as samples. With points: a reduced curve. Streamed."""
        if points is not None:
            return await table(POINTS, format, run_id, points)
        return await table(SAMPLES, format, run_id)

    @router.get(
        "/api/runs/{run_id}/raw-samples",
        operation_id="listRawSamples",
        summary="The sensor's conversions around the trips of a run",
        responses={
            **_or_csv(RawList, "elapsed_s,current_a,voltage_v,saturated,averaged\r\n"),
            **problem_responses(*_OF_A_RUN),
        },
    )
    async def list_raw_samples(run_id: RunId, format: As = "json") -> Response:
        """From 30 s before a trip to 5 s after it. Streamed."""
        return await table(RAW_SAMPLES, format, run_id)

    return router
