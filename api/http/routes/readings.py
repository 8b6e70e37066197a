"""Gauge readings and weighings of a run."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Path

from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.models.reading_request import ReadingBody, WithdrawalBody
from api.http.models.readings import ReadingList, ReadingResponse
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    LOGBOOK_UNREADABLE,
    LOOP_NOT_ALIVE,
    NOT_JSON,
    NOT_MEASURABLE,
    SURPRISING_READING,
    TOO_LARGE,
    TOO_SLOW,
    UNKNOWN_READING,
    UNKNOWN_RUN,
    WRONG_STATE,
)
from api.http.reading_requests import list_readings, take_reading, withdraw_reading
from api.http.routes.logbook import RunId

ReadingId = Annotated[
    str, Path(description="Name of the reading. No unit.", examples=["9f2c51d07e44"], max_length=40)
]

_OF_A_RUN = (LOGBOOK_UNREADABLE, UNKNOWN_RUN, BAD_VALUE)
_CHANGING = (
    *_OF_A_RUN,
    LOOP_NOT_ALIVE,
    WRONG_STATE,
    UNKNOWN_READING,
    BROKEN_JSON,
    TOO_LARGE,
    TOO_SLOW,
    NOT_JSON,
)


def reading_routes(context: AppContext) -> APIRouter:
    """Return the routes of the readings."""
    router = APIRouter(tags=["readings"], dependencies=[Depends(refuse_if_revoked)])

    @router.get(
        "/api/runs/{run_id}/readings",
        operation_id="listReadings",
        summary="The readings of a run, with their corrections",
        responses=problem_responses(*_OF_A_RUN),
    )
    async def readings(run_id: RunId) -> ReadingList:
        """Corrected and withdrawn readings are listed, too. stands is true for those that count."""
        return await context.reading.run(list_readings, context, run_id)

    @router.post(
        "/api/runs/{run_id}/readings",
        operation_id="takeReading",
        summary="Record a gauge reading or a weighing",
        status_code=201,
        responses=problem_responses(*_CHANGING, SURPRISING_READING, NOT_MEASURABLE),
    )
    async def take(run_id: RunId, body: Annotated[ReadingBody, Body()]) -> ReadingResponse:
        """For the present run with the relay off, or for a past one.

        A reading more than 3 standard deviations from the expected value gets surprising-reading.
        Send it again with is_confirmed when it is right.
        """
        return await context.commands.run(take_reading, context, run_id, body)

    @router.post(
        "/api/runs/{run_id}/readings/{reading_id}/withdraw",
        operation_id="withdrawReading",
        summary="Withdraw a reading",
        responses=problem_responses(*_CHANGING),
    )
    async def withdraw(
        run_id: RunId, reading_id: ReadingId, body: WithdrawalBody
    ) -> ReadingResponse:
        """It stays in the list with the reason, and no longer counts."""
        return await context.commands.run(withdraw_reading, context, run_id, reading_id, body.why)

    return router
