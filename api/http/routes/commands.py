"""Plan, start, pause, resume, acknowledge, and what a person reports of the plate."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, Response
from starlette.requests import Request

from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.guards.origin import media_type, not_json
from api.http.models.commands import CeilingsBody, CommandAnswer, FirstLookBody, StartAnswer
from api.http.models.plan import PlanAnswer
from api.http.models.plan_request import PlanRequestBody
from api.http.orders import given_with, wanted_by
from api.http.plan_requests import request_of
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    CALCULATION_FAILED,
    LATE_COMMAND,
    LOGBOOK_UNREADABLE,
    LOOP_NOT_ALIVE,
    NOT_JSON,
    OTHER_RUN,
    TOO_LARGE,
    TOO_SLOW,
    WRONG_STATE,
)
from api.http.problems import ProblemError
from controller.running.orders import Order

_BODY_PROBLEMS = (BROKEN_JSON, TOO_LARGE, TOO_SLOW, NOT_JSON, BAD_VALUE)
_RUN_PROBLEMS = (BAD_VALUE, WRONG_STATE, LATE_COMMAND, OTHER_RUN, LOOP_NOT_ALIVE)
_Given = Annotated[Order, Depends(given_with)]


async def json_only(request: Request) -> None:
    """Refuse a body of another type. Raises: ProblemError."""
    kind = media_type(request)
    if kind != "application/json" and await request.body():
        raise ProblemError.of(NOT_JSON, not_json(kind))


def command_routes(context: AppContext) -> APIRouter:
    """Return the routes that plan and command."""
    router = APIRouter(tags=["commands"], dependencies=[Depends(refuse_if_revoked)])
    _add_planning(router, context)
    _add_run_commands(router, context)
    _add_plate_reports(router, context)
    _add_ceilings(router, context)
    return router


def _add_planning(router: APIRouter, context: AppContext) -> None:
    @router.post(
        "/api/plan",
        operation_id="plan",
        summary="Turn a request into charge, time and limits",
        dependencies=[Depends(json_only)],
        responses=problem_responses(*_BODY_PROBLEMS, LOGBOOK_UNREADABLE, CALCULATION_FAILED),
    )
    async def plan(body: PlanRequestBody) -> PlanAnswer:
        """Nothing is switched on and nothing is stored."""
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
        responses=problem_responses(
            *_BODY_PROBLEMS, LOGBOOK_UNREADABLE, CALCULATION_FAILED, *_RUN_PROBLEMS
        ),
    )
    async def start(
        body: PlanRequestBody, request: Request, response: Response, given: _Given
    ) -> StartAnswer:
        """The response comes when the check has begun. The status shows how it goes on."""
        is_wanted = wanted_by(request)
        run_id = await context.starting.run(
            lambda: context.service.start(request_of(body, context.artworks), given, is_wanted)
        )
        response.headers["Location"] = f"/api/runs/{run_id}"
        return StartAnswer(run_id=run_id)


def _add_run_commands(router: APIRouter, context: AppContext) -> None:
    @router.post(
        "/api/pause",
        operation_id="pause",
        summary="Turn the relay off and keep the run",
        responses=problem_responses(*_RUN_PROBLEMS),
    )
    async def pause(given: _Given) -> CommandAnswer:
        """Lift and rinse the plate: the acid keeps biting with the power off."""
        return await _command(context, given, context.service.pause)

    @router.post(
        "/api/resume",
        operation_id="resume",
        summary="Carry on with a paused or interrupted run",
        responses=problem_responses(*_RUN_PROBLEMS),
    )
    async def resume(request: Request, given: _Given) -> CommandAnswer:
        """The rig is checked first."""
        is_wanted = wanted_by(request)
        return await _command(
            context, given, lambda order: context.service.resume(order, is_wanted)
        )

    @router.post(
        "/api/acknowledge",
        operation_id="acknowledge",
        summary="Acknowledge a trip or the end of a run",
        responses=problem_responses(*_RUN_PROBLEMS),
    )
    async def acknowledge(given: _Given) -> CommandAnswer:
        """Nothing restarts by itself."""
        return await _command(context, given, context.service.acknowledge)


def _add_plate_reports(router: APIRouter, context: AppContext) -> None:
    @router.post(
        "/api/lifted",
        operation_id="lifted",
        summary="Report that the plate is out of the bath and rinsed",
        responses=problem_responses(*_RUN_PROBLEMS),
    )
    async def lifted(given: _Given) -> CommandAnswer:
        """The acid no longer attacks the plate. Needs a run with the relay off."""
        return await _command(context, given, context.service.lifted)

    @router.post(
        "/api/left-in",
        operation_id="leftIn",
        summary="Report that the plate hangs in the bath without current",
        responses=problem_responses(*_RUN_PROBLEMS),
    )
    async def left_in(given: _Given) -> CommandAnswer:
        """The attack of the acid widens the upper bound of the depth. Needs the relay off."""
        return await _command(context, given, context.service.left_in)

    @router.post(
        "/api/first-look",
        operation_id="firstLook",
        summary="Answer the first look: gas at the minus plate and even matting, or not",
        dependencies=[Depends(json_only)],
        responses=problem_responses(*_BODY_PROBLEMS, *_RUN_PROBLEMS),
    )
    async def first_look(body: FirstLookBody, given: _Given) -> CommandAnswer:
        """A bad one pauses the run, because the clips may be swapped at the cell."""
        return await _command(
            context,
            given,
            lambda order: context.service.first_look(is_well=body.is_well, order=order),
        )


def _add_ceilings(router: APIRouter, context: AppContext) -> None:
    @router.post(
        "/api/ceilings",
        operation_id="raiseCeilings",
        summary="Set new ceilings on charge and time from the present estimate",
        dependencies=[Depends(json_only)],
        responses=problem_responses(*_BODY_PROBLEMS, *_RUN_PROBLEMS),
    )
    async def raise_ceilings(_body: CeilingsBody, given: _Given) -> CommandAnswer:
        """Needs a run with the relay off and a person's confirmation. The logbook records both."""
        return await _command(context, given, context.service.raise_ceilings)


async def _command(
    context: AppContext, order: Order, action: Callable[[Order], None]
) -> CommandAnswer:
    await context.commands.run(action, order)
    return CommandAnswer.model_validate(context.service.snapshot())
