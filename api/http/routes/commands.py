"""Plan, start, pause, resume, acknowledge, stop, and what a person says of the plate meanwhile."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress

from fastapi import APIRouter, Depends, Response
from starlette.requests import Request

from api.http.context import AppContext
from api.http.models.plan import PlanAnswer, PlanRequestBody
from api.http.models.status import (
    CeilingsBody,
    CommandAnswer,
    FirstLookBody,
    StartAnswer,
    StopAnswer,
    rendered,
)
from api.http.plan_requests import request_of
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    LOGBOOK_UNREADABLE,
    LOOP_NOT_ALIVE,
    NOT_JSON,
    TOO_LARGE,
    TOO_SLOW,
    WRONG_STATE,
)
from api.http.problems import ProblemError, told_problems
from controller.errors import LoopNotAliveError
from controller.messages import Snapshot, TripReason, advice_for
from controller.safety.transitions import STOP_ENDS

STOP_WAIT_S = 0.15
"""Longest time that Stop waits for the loop to show what became of the run, s. The relay is off before that."""

STOP_LOOK_S = 0.01
"""Time between two looks at the board meanwhile, s."""

_BODY_PROBLEMS = (BROKEN_JSON, TOO_LARGE, TOO_SLOW, NOT_JSON, BAD_VALUE)

_log = logging.getLogger("biteclock")


async def json_only(request: Request) -> None:
    """Refuse a body of another type. Raises: ProblemError."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json" and await request.body():
        raise ProblemError(
            NOT_JSON, f"the body is {kind or 'of no type'}: send it as application/json"
        )


def command_routes(context: AppContext) -> APIRouter:
    """Return the routes that plan and command."""
    router = APIRouter(tags=["commands"])

    @router.post(
        "/api/plan",
        operation_id="plan",
        summary="Turn a request into charge, time and limits",
        dependencies=[Depends(json_only)],
        responses=told_problems(*_BODY_PROBLEMS, LOGBOOK_UNREADABLE),
    )
    async def plan(body: PlanRequestBody) -> PlanAnswer:
        """Nothing is switched on and nothing is kept."""
        return PlanAnswer.of(
            await context.planning.run(
                lambda: context.service.plan(request_of(body, context.artworks))
            )
        )

    @router.post(
        "/api/start",
        operation_id="start",
        summary="Begin a run: check the rig, then turn the relay on",
        status_code=202,
        dependencies=[Depends(json_only)],
        responses=told_problems(*_BODY_PROBLEMS, LOGBOOK_UNREADABLE, WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def start(body: PlanRequestBody, response: Response) -> StartAnswer:
        """The answer comes when the check has begun; see the status for what becomes of it."""
        asked_off = (
            context.service.asked_off()
        )  # Stop holds it back from here on, also while it waits and plans
        run_id = await context.starting.run(
            lambda: context.service.start(request_of(body, context.artworks), asked_off)
        )
        response.headers["Location"] = f"/api/runs/{run_id}"
        return StartAnswer(run_id=run_id)

    async def command(action: Callable[[], None]) -> CommandAnswer:
        await context.commands.run(action)
        return CommandAnswer.model_validate(context.service.snapshot())

    @router.post(
        "/api/pause",
        operation_id="pause",
        summary="Turn the relay off and keep the run",
        responses=told_problems(WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def pause() -> CommandAnswer:
        """Lift and rinse the plate: the acid goes on without current."""
        return await command(context.service.pause)

    @router.post(
        "/api/resume",
        operation_id="resume",
        summary="Go on with a paused or interrupted run",
        responses=told_problems(WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def resume() -> CommandAnswer:
        """The rig is checked first."""
        return await command(context.service.resume)

    @router.post(
        "/api/acknowledge",
        operation_id="acknowledge",
        summary="Take note of a trip or an ended run",
        responses=told_problems(WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def acknowledge() -> CommandAnswer:
        """Nothing restarts by itself."""
        return await command(context.service.acknowledge)

    @router.post(
        "/api/lifted",
        operation_id="lifted",
        summary="The plate is out of the bath and rinsed",
        responses=told_problems(WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def lifted() -> CommandAnswer:
        """Nothing attacks it any more. Needs a run with the relay off."""
        return await command(context.service.lifted)

    @router.post(
        "/api/left-in",
        operation_id="leftIn",
        summary="The plate hangs in the bath without current",
        responses=told_problems(WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def left_in() -> CommandAnswer:
        """What the acid takes meanwhile widens the upper bound of the depth. Needs a run with the relay off."""
        return await command(context.service.left_in)

    @router.post(
        "/api/first-look",
        operation_id="firstLook",
        summary="Answer the first look: gas at the minus plate and even matting, or not",
        dependencies=[Depends(json_only)],
        responses=told_problems(*_BODY_PROBLEMS, WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def first_look(body: FirstLookBody) -> CommandAnswer:
        """A bad one pauses the run: the clips may be swapped at the cell."""
        return await command(lambda: context.service.first_look(is_well=body.is_well))

    @router.post(
        "/api/ceilings",
        operation_id="raiseCeilings",
        summary="Set the ceilings on charge and time anew from what is now believed",
        dependencies=[Depends(json_only)],
        responses=told_problems(*_BODY_PROBLEMS, WRONG_STATE, LOOP_NOT_ALIVE),
    )
    async def raise_ceilings(_body: CeilingsBody) -> CommandAnswer:
        """Needs a run with the relay off, and that a person confirms it; the logbook keeps both."""
        return await command(context.service.raise_ceilings)

    @router.post(
        "/api/stop",
        operation_id="stop",
        summary="Turn the relay off now and end the run",
        responses=told_problems(),
    )
    async def stop() -> StopAnswer:
        """Taken in every state, with any body and without a PIN. This is no emergency stop: fit a real one in the supply."""
        return await stop_now(context)

    return router


async def stop_now(context: AppContext) -> StopAnswer:
    """Turn the relay off, then look for a moment what becomes of the run.

    Takes no thread and waits for no lock but the relay's own, so that nothing else that is asked can hold it up.
    """
    switched = True
    try:
        context.service.stop()
    except Exception:
        switched = False
        _log.exception("the relay output could not be switched off")
    with suppress(TimeoutError):
        async with asyncio.timeout(STOP_WAIT_S):
            while _is_to_end(context.board.snapshot) and not context.live.is_ending:
                await context.live.pause(STOP_LOOK_S)
    relay_on = _reads_on(context)
    snapshot = context.board.snapshot
    trouble = _why_not_alive(context)
    return StopAnswer(
        relay_on=relay_on,
        state=None if snapshot is None else snapshot.state,
        loop_alive=trouble is None,
        message=f"{_what_was_done(switched, relay_on)} {_what_became(snapshot) if trouble is None else trouble}",
    )


def _is_to_end(snapshot: Snapshot | None) -> bool:
    return snapshot is not None and snapshot.state in STOP_ENDS


def _why_not_alive(context: AppContext) -> str | None:
    try:
        context.service.snapshot()
    except LoopNotAliveError as error:
        text = str(error)
        return f"{text[0].upper()}{text[1:]}."
    return None


def _reads_on(context: AppContext) -> bool | None:
    try:
        return context.service.relay_reads_on()
    except Exception:
        _log.exception("the relay output could not be read")
        return None


def _what_was_done(switched: bool, relay_on: bool | None) -> str:
    if relay_on is False and switched:
        return "The relay is off."
    if relay_on is None or not switched:
        return "PULL THE SUPPLY'S PLUG. The relay output could not be switched or read."
    return "PULL THE SUPPLY'S PLUG. The relay was told to turn off and its output still reads on."


def _what_became(snapshot: Snapshot | None) -> str:
    """Return what the loop says of it."""
    if snapshot is None:
        return "The control loop has told nothing yet."
    if snapshot.relay_welded:
        return str(advice_for(TripReason.RELAY_WELDED))
    if snapshot.state in STOP_ENDS:
        return f"The control loop has not answered yet, it last was {snapshot.state.value}: look at the supply's own ammeter."
    return rendered(snapshot.message) or f"The bench is {snapshot.state.value}."
