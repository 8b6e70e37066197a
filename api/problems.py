"""Problem details for HTTP APIs (RFC 9457): every refusal says what, value and limit with their units, and what to do."""

from __future__ import annotations

import logging
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated, Any
from urllib.parse import quote

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from api.problem_fields import FieldProblem, field_problem
from api.schemas import NO_UNIT, Answer, said
from controller.errors import LoopNotAliveError, RefusedError, WrongStateError
from controller.logbook.reader import LogbookUnreadableError, UnknownRunError

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 2

_log = logging.getLogger("biteclock")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem. ``slug`` ends its type URI."""

    slug: str
    status: int
    title: str


BROKEN_JSON = Kind("broken-json", 400, "The body is no JSON")
UNKNOWN_RUN = Kind("unknown-run", 404, "There is no such run")
NO_REHEARSAL = Kind("no-rehearsal", 404, "This is a real bench")
NOTHING_HERE = Kind("nothing-here", 404, "Nothing is at this address")
WRONG_METHOD = Kind("wrong-method", 405, "The address does not take this method")
WRONG_STATE = Kind("wrong-state", 409, "The present state does not take this command")
TOO_LARGE = Kind("too-large", 413, "The body is too large")
NOT_JSON = Kind("not-json", 415, "The body must be JSON")
BAD_VALUE = Kind("bad-value", 422, "A value cannot be used")
FAULT = Kind("fault", 500, "The program failed on this request")
LOOP_NOT_ALIVE = Kind("loop-not-alive", 503, "The control loop is not alive")
LOGBOOK_UNREADABLE = Kind("logbook-unreadable", 503, "The logbook cannot be read now")
TOO_MANY_STREAMS = Kind("too-many-streams", 503, "Too many live streams are open")

_OF_STATUS = {kind.status: kind for kind in (BROKEN_JSON, NOTHING_HERE, WRONG_METHOD, TOO_LARGE, NOT_JSON)}
"""What a bare HTTP error of the framework means here."""


class Problem(Answer):
    """Why a request was refused or failed (RFC 9457). Members that do not apply are left out."""

    type: Annotated[str, said("Kind of problem, a stable relative URI.", NO_UNIT, "/problems/bad-value")]
    title: Annotated[str, said("The kind in words.", NO_UNIT, "A value cannot be used")]
    status: Annotated[int, said("HTTP status.", NO_UNIT, 422)]
    detail: Annotated[
        str, said("What is wrong here and what to do.", NO_UNIT, "depth_mm is -1 mm, it must be above 0 mm: correct it")
    ]
    instance: Annotated[str, said("Path of the request.", NO_UNIT, "/api/plan")]
    field: Annotated[str | None, said("The first value that cannot be used.", NO_UNIT, "depth_mm")] = None
    limit: Annotated[str | None, said("Its limit, with its unit.", NO_UNIT, "above 0 mm")] = None
    unit: Annotated[str | None, said("Its unit.", NO_UNIT, "mm")] = None
    part: Annotated[str | None, said("The part of the service that is not well.", NO_UNIT, "loop")] = None
    errors: Annotated[
        tuple[FieldProblem, ...] | None,
        said(
            "All values that cannot be used.",
            NO_UNIT,
            [{"field": "depth_mm", "message": "it must be above 0 mm", "limit": "above 0 mm", "unit": "mm", "place": "body"}],
        ),
    ] = None


class ProblemError(Exception):
    """A refusal that the API itself makes."""

    def __init__(self, kind: Kind, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind


class ProblemResponse(JSONResponse):
    """A problem as an answer."""

    media_type = MEDIA_TYPE


def problem_response(
    request: Request, kind: Kind, detail: str, *, headers: Mapping[str, str] | None = None, **extensions: Any
) -> ProblemResponse:
    """Return the answer for a problem."""
    problem = Problem(
        type=f"/problems/{kind.slug}",
        title=kind.title,
        status=kind.status,
        detail=detail,
        instance=quote(request.scope["path"]),
        **extensions,
    )
    retry = {"Retry-After": str(RETRY_AFTER_S)} if kind.status == HTTPStatus.SERVICE_UNAVAILABLE else {}
    return ProblemResponse(
        problem.model_dump(mode="json", exclude_none=True), status_code=kind.status, headers={**retry, **(headers or {})}
    )


def _refused(request: Request, error: RefusedError) -> ProblemResponse:
    if error.field is None:
        return problem_response(request, BAD_VALUE, str(error), limit=error.limit)
    return _bad_values(request, str(error), (FieldProblem.of(error.field, str(error), error.limit, "body"),))


def _invalid(request: Request, error: RequestValidationError) -> ProblemResponse:
    found = error.errors()
    broken = next((item for item in found if item["type"] == "json_invalid"), None)
    if broken is not None:
        return problem_response(request, BROKEN_JSON, f"{broken['ctx']['error']} at character {broken['loc'][-1]}: send JSON")
    problems = tuple(field_problem(item) for item in found)
    return _bad_values(request, "; ".join(problem.message for problem in problems[:5]), problems)


def _bad_values(request: Request, detail: str, problems: Sequence[FieldProblem]) -> ProblemResponse:
    first = problems[0]
    return problem_response(
        request, BAD_VALUE, detail, field=first.field, limit=first.limit, unit=first.unit, errors=tuple(problems)
    )


def _http(request: Request, error: HTTPException) -> ProblemResponse:
    headers = error.headers
    if error.status_code == HTTPStatus.NOT_FOUND:
        return problem_response(request, NOTHING_HERE, "nothing is at this address: see /api/openapi.json", headers=headers)
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        allowed = (headers or {}).get("Allow", "another")
        return problem_response(request, WRONG_METHOD, f"{request.method} is not taken here: use {allowed}", headers=headers)
    status = error.status_code
    kind = _OF_STATUS.get(status) or Kind(f"http-{status}", status, HTTPStatus(status).phrase)
    return problem_response(request, kind, str(error.detail), headers=headers)


def _fault(request: Request, error: Exception) -> ProblemResponse:
    """Tell nothing of what happened inside; the server logs the traceback."""
    _log.error("%s %s failed: %s", request.method, request.scope["path"], type(error).__name__)
    return problem_response(
        request, FAULT, "the program failed on this request, its log says how: look at the bench's state before trying again"
    )


def _of_kind(kind: Kind, **extensions: Any) -> Callable[[Request, Any], ProblemResponse]:
    return lambda request, error: problem_response(request, kind, str(error), **extensions)


def _without_thread(answer: Callable[[Request, Any], ProblemResponse]) -> Callable[[Request, Any], Coroutine[Any, Any, Response]]:
    """Return the handler as a coroutine: plain ones would wait for a free thread of the pool."""

    async def handle(request: Request, error: Any) -> ProblemResponse:
        return answer(request, error)

    return handle


def problem_handlers() -> dict[Any, Callable[[Request, Any], Coroutine[Any, Any, Response]]]:
    """Return the exception handlers of the application: what each error becomes for those who asked."""
    answers: dict[Any, Callable[[Request, Any], ProblemResponse]] = {
        ProblemError: lambda request, error: problem_response(request, error.kind, str(error)),
        UnknownRunError: _of_kind(UNKNOWN_RUN),
        RefusedError: _refused,
        WrongStateError: _of_kind(WRONG_STATE),
        LoopNotAliveError: _of_kind(LOOP_NOT_ALIVE, part="loop"),
        LogbookUnreadableError: _of_kind(LOGBOOK_UNREADABLE, part="logbook"),
        RequestValidationError: _invalid,
        HTTPException: _http,
        Exception: _fault,
    }
    return {error: _without_thread(answer) for error, answer in answers.items()}


def told_problems(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI responses for these kinds and for a fault. Kinds of one status share an entry."""
    told: dict[int | str, dict[str, Any]] = {}
    for kind in (*kinds, FAULT):
        entry = told.setdefault(
            kind.status,
            {"description": "", "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}, "examples": {}}}},
        )
        entry["description"] = ". ".join(filter(None, (entry["description"], kind.title)))
        entry["content"][MEDIA_TYPE]["examples"][kind.slug] = {
            "value": {
                "type": f"/problems/{kind.slug}",
                "title": kind.title,
                "status": kind.status,
                "detail": "what is wrong here and what to do",
                "instance": "/api/status",
            }
        }
    return told
