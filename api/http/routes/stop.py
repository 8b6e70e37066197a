"""Stop: the relay goes off first, then the response says what became of the run."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress

from fastapi import APIRouter
from starlette.requests import Request

from api.http.context import AppContext
from api.http.models.commands import StopAnswer
from api.http.orders import STOP_PARAMETERS, source_of
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import OTHER_RUN
from controller.errors import LoopNotAliveError, OtherRunError
from controller.messages import Snapshot, TripReason, advice_for
from controller.safety.transitions import STOP_ENDS
from controller.texts import Message, text

STOP_WAIT_S = 0.15
"""Longest wait for the loop to report the end of the run, s. The relay is off before that."""

STOP_LOOK_S = 0.01
"""Time between two looks at the newest snapshot in this wait, s."""

_log = logging.getLogger("biteclock")


def stop_routes(context: AppContext) -> APIRouter:
    """Return the route of Stop."""
    router = APIRouter(tags=["commands"])

    @router.post(
        "/api/stop",
        operation_id="stop",
        summary="Turn the relay off now and end the run",
        responses=problem_responses(OTHER_RUN),
        openapi_extra={"parameters": STOP_PARAMETERS},
    )
    async def stop(request: Request) -> StopAnswer:
        """Works in every state, with any body and without a PIN.

        It is refused only when it names a run that is over. This is no emergency stop: fit a real
        one in the supply.
        """
        return await stop_now(context, request)

    return router


async def stop_now(context: AppContext, request: Request) -> StopAnswer:
    """Turn the relay off, then wait a moment for the end of the run.

    It takes no thread and no lock except the relay's, so that no other request can delay it.
    """
    was_switched, ends_run = True, _is_to_end(context.board.snapshot)
    try:
        context.service.stop(request.query_params.get("run_id") or None)
    except OtherRunError:
        raise
    except Exception:
        was_switched = False
        _log.exception(text("http.stop.switch_failed"))
    with suppress(TimeoutError):
        async with asyncio.timeout(STOP_WAIT_S):
            while _is_to_end(context.board.snapshot) and not context.live.is_ending:
                await context.live.pause(STOP_LOOK_S)
    if ends_run:
        _note_source(context, request)
    relay_on = _reads_on(context)
    snapshot = context.board.snapshot
    fault = _loop_fault(context)
    return StopAnswer(
        relay_on=relay_on,
        state=None if snapshot is None else snapshot.state,
        loop_alive=fault is None,
        message=text(
            "http.stop.answer",
            relay=_relay_message(relay_on, was_switched=was_switched),
            run=_run_message(snapshot) if fault is None else fault,
        ),
    )


def _note_source(context: AppContext, request: Request) -> None:
    """Record who stopped the run. The relay is off, and nothing here may keep the answer."""
    try:
        context.service.note_stop(source_of(request, context.access.caller(request)))
    except LoopNotAliveError:
        return  # nobody is there to record it
    except Exception:
        _log.exception(text("http.stop.source_failed"))


def _is_to_end(snapshot: Snapshot | None) -> bool:
    return snapshot is not None and snapshot.state in STOP_ENDS


def _loop_fault(context: AppContext) -> Message | None:
    """Return why the control loop does not answer, or None when it does."""
    try:
        context.service.snapshot()
    except LoopNotAliveError as error:
        return error.message
    return None


def _reads_on(context: AppContext) -> bool | None:
    try:
        return context.service.relay_reads_on()
    except Exception:
        _log.exception(text("http.stop.read_failed"))
        return None


def _relay_message(relay_on: bool | None, *, was_switched: bool) -> Message:
    if relay_on is False and was_switched:
        return Message("http.stop.relay_off")
    if relay_on is None or not was_switched:
        return Message("http.stop.relay_unknown")
    return Message("http.stop.relay_still_on")


def _run_message(snapshot: Snapshot | None) -> Message | str:
    """Return what the loop has reported of the run."""
    if snapshot is None:
        return Message("http.stop.no_state_yet")
    if snapshot.relay_welded:
        return advice_for(TripReason.RELAY_WELDED)
    state = {"state": snapshot.state.value}
    if snapshot.state in STOP_ENDS:
        return Message("http.stop.not_answered", state)
    return snapshot.message or Message("http.stop.state", state)
