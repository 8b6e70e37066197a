"""Problem details for HTTP APIs (RFC 9457): every refusal says what, value and limit with their units, and what to do."""

from __future__ import annotations

import logging
from collections.abc import Callable, Coroutine, Mapping, Sequence
from http import HTTPStatus
from typing import Annotated, Any
from urllib.parse import quote

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from api.http.answer_headers import SAFE_HEADERS
from api.http.methods import allowed_methods
from api.http.models.base import NO_UNIT, Answer, said
from api.http.problem_fields import FieldProblem, field_problem
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    FAULT,
    LOGBOOK_UNREADABLE,
    LOOP_NOT_ALIVE,
    NOT_JSON,
    NOTHING_HERE,
    TOO_LARGE,
    TOO_SLOW,
    UNKNOWN_RUN,
    WRONG_METHOD,
    WRONG_STATE,
    Kind,
)
from controller.errors import LoopNotAliveError, RefusedError, WrongStateError
from controller.logbook.reader import LogbookUnreadableError, UnknownRunError

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 2

_log = logging.getLogger("biteclock")


_OF_STATUS = {
    kind.status: kind
    for kind in (BROKEN_JSON, NOTHING_HERE, WRONG_METHOD, TOO_SLOW, TOO_LARGE, NOT_JSON)
}
"""What a bare HTTP error of the framework means here."""


class Surprise(Answer):
    """A reading that lies far from the estimate, with the numbers to compare. Confirm it when it is right."""

    read_depth_mm: Annotated[
        float | None, said("Mean depth that the gauge says; null for a weighing.", "mm", 0.21)
    ]
    read_error_mm: Annotated[float | None, said("Standard error of it.", "mm", 0.006)]
    depth_mm: Annotated[float | None, said("Best estimate before it.", "mm", 0.12)]
    depth_low_mm: Annotated[
        float | None, said("Lower end of the estimate's 95 % interval.", "mm", 0.1)
    ]
    depth_high_mm: Annotated[
        float | None, said("Upper end of the estimate's 95 % interval.", "mm", 0.145)
    ]


class Problem(Answer):
    """Why a request was refused or failed (RFC 9457). Members that do not apply are left out."""

    type: Annotated[
        str, said("Kind of problem, a stable relative URI.", NO_UNIT, "/problems/bad-value")
    ]
    title: Annotated[str, said("The kind in words.", NO_UNIT, "A value cannot be used")]
    status: Annotated[int, said("HTTP status.", NO_UNIT, 422)]
    detail: Annotated[
        str,
        said(
            "What is wrong here and what to do.",
            NO_UNIT,
            "depth_mm is -1 mm, it must be above 0 mm: correct it",
        ),
    ]
    instance: Annotated[str, said("Path of the request.", NO_UNIT, "/api/plan")]
    field: Annotated[
        str | None, said("The first value that cannot be used.", NO_UNIT, "depth_mm")
    ] = None
    limit: Annotated[str | None, said("Its limit, with its unit.", NO_UNIT, "above 0 mm")] = None
    unit: Annotated[str | None, said("Its unit.", NO_UNIT, "mm")] = None
    part: Annotated[
        str | None, said("The part of the service that is not well.", NO_UNIT, "loop")
    ] = None
    retry_after_s: Annotated[int | None, said("When to try again.", "s", 16)] = None
    surprise: Annotated[
        Surprise | None,
        said(
            "What a reading says and what was expected.",
            NO_UNIT,
            {
                "read_depth_mm": 0.21,
                "read_error_mm": 0.006,
                "depth_mm": 0.12,
                "depth_low_mm": 0.1,
                "depth_high_mm": 0.145,
            },
        ),
    ] = None
    errors: Annotated[
        tuple[FieldProblem, ...] | None,
        said(
            "All values that cannot be used.",
            NO_UNIT,
            [
                {
                    "field": "depth_mm",
                    "message": "it must be above 0 mm",
                    "limit": "above 0 mm",
                    "unit": "mm",
                    "place": "body",
                }
            ],
        ),
    ] = None


class ProblemError(Exception):
    """A refusal that the API itself makes.

    :param extensions: further members of the problem.
    """

    def __init__(self, kind: Kind, detail: str, **extensions: Any) -> None:
        super().__init__(detail)
        self.kind = kind
        self.extensions = extensions


class ProblemResponse(JSONResponse):
    """A problem as an answer."""

    media_type = MEDIA_TYPE


def problem_response(
    request: Request,
    kind: Kind,
    detail: str,
    *,
    headers: Mapping[str, str] | None = None,
    **extensions: Any,
) -> ProblemResponse:
    """Return the answer for a problem."""
    seconds = (
        RETRY_AFTER_S
        if kind.status == HTTPStatus.SERVICE_UNAVAILABLE
        else extensions.get("retry_after_s")
    )
    problem = Problem(
        type=f"/problems/{kind.slug}",
        title=kind.title,
        status=kind.status,
        detail=detail,
        instance=quote(request.scope["path"]),
        **extensions,
    )
    retry = {} if seconds is None else {"Retry-After": str(seconds)}
    return ProblemResponse(
        problem.model_dump(mode="json", exclude_none=True),
        status_code=kind.status,
        headers={**retry, **(headers or {})},
    )


def _refused(request: Request, error: RefusedError) -> ProblemResponse:
    if error.field is None:
        return problem_response(request, BAD_VALUE, str(error), limit=error.limit)
    place = "query" if error.field in request.query_params else "body"
    return _bad_values(
        request, str(error), (FieldProblem.of(error.field, str(error), error.limit, place),)
    )


def _invalid(request: Request, error: RequestValidationError) -> ProblemResponse:
    found = error.errors()
    broken = next((item for item in found if item["type"] == "json_invalid"), None)
    if broken is not None:
        return problem_response(
            request,
            BROKEN_JSON,
            f"{broken['ctx']['error']} at character {broken['loc'][-1]}: send JSON",
        )
    problems = tuple(field_problem(item) for item in found)
    return _bad_values(request, "; ".join(problem.message for problem in problems[:5]), problems)


def _bad_values(request: Request, detail: str, problems: Sequence[FieldProblem]) -> ProblemResponse:
    first = problems[0]
    return problem_response(
        request,
        BAD_VALUE,
        detail,
        field=first.field,
        limit=first.limit,
        unit=first.unit,
        errors=tuple(problems),
    )


def http_problem(request: Request, error: HTTPException) -> ProblemResponse:
    """Return the answer for an HTTP error of the framework."""
    headers = error.headers
    if error.status_code == HTTPStatus.NOT_FOUND:
        return problem_response(
            request,
            NOTHING_HERE,
            "nothing is at this address: see /api/openapi.json",
            headers=headers,
        )
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        allowed = allowed_methods(request)
        detail = f"{request.method} is not taken here: use {allowed}"
        return problem_response(request, WRONG_METHOD, detail, headers={"Allow": allowed})
    status = error.status_code
    kind = _OF_STATUS.get(status) or Kind(f"http-{status}", status, HTTPStatus(status).phrase)
    return problem_response(request, kind, str(error.detail), headers=headers)


def _fault(request: Request, error: Exception) -> ProblemResponse:
    """Tell nothing of what happened inside; the server logs the traceback. It passes no middleware on its way out."""
    _log.error(
        "%s %s failed: %s", request.method, quote(request.scope["path"]), type(error).__name__
    )
    return problem_response(
        request,
        FAULT,
        "the program failed on this request, its log says how: look at the bench's state before trying again",
        headers={**SAFE_HEADERS, "Cache-Control": "no-store"},
    )


def _of_kind(kind: Kind, **extensions: Any) -> Callable[[Request, Any], ProblemResponse]:
    return lambda request, error: problem_response(request, kind, str(error), **extensions)


def _without_thread(
    answer: Callable[[Request, Any], ProblemResponse],
) -> Callable[[Request, Any], Coroutine[Any, Any, Response]]:
    """Return the handler as a coroutine: plain ones would wait for a free thread of the pool."""

    async def handle(request: Request, error: Any) -> ProblemResponse:
        return answer(request, error)

    return handle


def problem_handlers() -> dict[Any, Callable[[Request, Any], Coroutine[Any, Any, Response]]]:
    """Return the exception handlers of the application: what each error becomes for those who asked."""
    answers: dict[Any, Callable[[Request, Any], ProblemResponse]] = {
        ProblemError: lambda request, error: problem_response(
            request, error.kind, str(error), **error.extensions
        ),
        UnknownRunError: _of_kind(UNKNOWN_RUN),
        RefusedError: _refused,
        WrongStateError: _of_kind(WRONG_STATE),
        LoopNotAliveError: _of_kind(LOOP_NOT_ALIVE, part="loop"),
        LogbookUnreadableError: _of_kind(LOGBOOK_UNREADABLE, part="logbook"),
        RequestValidationError: _invalid,
        HTTPException: http_problem,
        Exception: _fault,
    }
    return {error: _without_thread(answer) for error, answer in answers.items()}


def told_problems(*kinds: Kind) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI responses for these kinds and for a fault. Kinds of one status share an entry."""
    told: dict[int | str, dict[str, Any]] = {}
    tell_problems(told, *kinds, FAULT)
    return told


def tell_problems(
    told: dict[Any, dict[str, Any]], *kinds: Kind, key: type[int] | type[str] = int
) -> None:
    """Add these kinds to OpenAPI responses. ``key`` is str in a finished document."""
    for kind in kinds:
        entry = told.setdefault(
            key(kind.status),
            {
                "description": "",
                "content": {
                    MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}, "examples": {}}
                },
            },
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
