"""The run, the age and the source that come with a command."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from typing import Annotated

from fastapi import Query
from starlette.requests import Request

from api.access.auth import Caller, caller_of
from api.access.shares import peer_of
from api.http.arrival import arrival_of
from api.http.guards.control import refuse_if_revoked
from controller.messages import Source, SourceKind
from controller.running.orders import Order

LONGEST_RUN_ID = 100
"""Longest name of a run in a command, characters."""

LONGEST_AGE_S = 1e9
"""Longest age that a client may state, s."""

RUN_TEXT = "Run that the command is meant for. Without it, the present one. No unit."
AGE_TEXT = "Time from the tap to the sending, on the client's monotonic clock. Unit: s."

ASK_S = 2.0
"""Longest wait for the server's word on whether somebody still waits for an answer, s."""

STOP_PARAMETERS = [
    {
        "name": "run_id",
        "in": "query",
        "required": False,
        "description": RUN_TEXT,
        "schema": {"type": "string", "examples": ["20260314-091500-7"]},
    },
    {
        "name": "age_s",
        "in": "query",
        "required": False,
        "description": f"Never too late for a Stop. {AGE_TEXT}",
        "schema": {"type": "string", "examples": ["0.2"]},
    },
]
"""Stop reads its query by itself: no value may keep it from the relay."""


async def given_with(
    request: Request,
    run_id: Annotated[
        str | None,
        Query(description=RUN_TEXT, examples=["20260314-091500-7"], max_length=LONGEST_RUN_ID),
    ] = None,
    age_s: Annotated[
        float,
        Query(description=AGE_TEXT, examples=[0.2], ge=0.0, le=LONGEST_AGE_S, allow_inf_nan=False),
    ] = 0.0,
) -> Order:
    """Return what came with a command, as it was when the head of the request arrived."""
    arrival = arrival_of(request)
    source = source_of(request, caller_of(request))
    return Order(arrival.at_s - age_s, run_id, source, arrival.asked_off)


def source_of(request: Request, caller: Caller | None) -> Source:
    """Return who sent a request."""
    address = peer_of(request.scope)
    if caller is None:
        return Source(SourceKind.UNPAIRED, address)
    if caller.pairing is None:
        return Source(SourceKind.PROGRAM, address)
    return Source(SourceKind.PAIRED, address, caller.pairing.name)


def wanted_by(request: Request) -> Callable[[], bool]:
    """Return what a lane's thread calls to learn whether the client still waits, and may.

    It raises ProblemError for a device that was revoked meanwhile. The page stops waiting after
    8 s and then says that the command failed. A server that ends answers nobody any more.
    """
    loop = asyncio.get_running_loop()

    async def ask(answer: Future[bool]) -> None:
        try:
            await refuse_if_revoked(request)
            answer.set_result(not await request.is_disconnected())
        except asyncio.CancelledError:
            answer.set_result(False)
            raise
        except Exception as error:
            answer.set_exception(error)

    def is_wanted() -> bool:
        answer: Future[bool] = Future()
        try:
            loop.call_soon_threadsafe(lambda: asking.add(loop.create_task(ask(answer))))
            return answer.result(ASK_S)
        except (RuntimeError, TimeoutError):  # the server ends
            return False

    asking: set[asyncio.Task[None]] = set()
    return is_wanted
