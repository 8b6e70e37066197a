"""Problem details for HTTP APIs (RFC 9457): every error becomes the response that explains it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import asdict
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from api.access.pairing_store import NotSavedError, PairingsFullError, UnknownPairingError
from api.access.pin_gate import TooManyTriesError
from api.http.answer_headers import SAFE_HEADERS
from api.http.artworks.artwork_shelf import NoRoomError
from api.http.methods import allowed_methods
from api.http.models.problem import FieldProblem, Problem, Surprise
from api.http.problem_fields import field_problem
from api.http.problem_kinds import (
    BACKUP_FAILED,
    BAD_VALUE,
    BROKEN_JSON,
    CALCULATION_FAILED,
    FAULT,
    LATE_COMMAND,
    LOGBOOK_UNREADABLE,
    LOOP_NOT_ALIVE,
    NO_ROOM,
    NOT_JSON,
    NOT_MEASURABLE,
    NOT_SAVED,
    NOTHING_HERE,
    OTHER_RUN,
    SURPRISING_READING,
    TOO_LARGE,
    TOO_MANY_PAIRINGS,
    TOO_MANY_TRIES,
    TOO_SLOW,
    UNKNOWN_PAIRING,
    UNKNOWN_READING,
    UNKNOWN_RUN,
    WRONG_METHOD,
    WRONG_STATE,
    Kind,
)
from controller.artwork.result import MeasureFailedError
from controller.backup.form import BackupFailedError
from controller.calculator.calculator import CalculationFailedError
from controller.errors import (
    BiteclockError,
    LateCommandError,
    LoopNotAliveError,
    OtherRunError,
    RefusedError,
    WrongStateError,
)
from controller.logbook.reader import LogbookUnreadableError, UnknownRunError
from controller.planning.reading_drafts import SurprisingReadingError
from controller.running.plate_readings import ReplacedReadingError, UnknownReadingError
from controller.texts import Message, Value, text

MEDIA_TYPE = "application/problem+json"

RETRY_AFTER_S = 2
"""Time after which a client tries again when the service is not available, s."""

MOST_SENTENCES = 5
"""Refused values that the detail of a problem names. The list ``errors`` has them all."""

_log = logging.getLogger("biteclock")

_OF_STATUS = {
    kind.status: kind
    for kind in (BROKEN_JSON, NOTHING_HERE, WRONG_METHOD, TOO_SLOW, TOO_LARGE, NOT_JSON)
}
"""The kind for an HTTP error of the framework."""


class ProblemError(BiteclockError):
    """A refusal by the API itself.

    :param key: key of the problem's detail in the catalogue.
    :param headers: further headers of the response.
    :param members: further members of the problem.
    :param values: what the detail names.
    """

    def __init__(
        self,
        kind: Kind,
        key: str,
        /,
        *,
        headers: Mapping[str, str] | None = None,
        members: Mapping[str, Any] | None = None,
        **values: Value,
    ) -> None:
        super().__init__(key, **values)
        self.kind = kind
        self.headers = headers
        self.members = members or {}

    @classmethod
    def of(cls, kind: Kind, message: Message) -> ProblemError:
        """Return a problem with a message, such as that of another error."""
        problem = cls(kind, message.key)
        problem.message = message
        return problem


class ProblemResponse(JSONResponse):
    """A response with a problem."""

    media_type = MEDIA_TYPE


def problem_response(
    request: Request,
    kind: Kind,
    detail: Message | str,
    *,
    headers: Mapping[str, str] | None = None,
    **members: Any,
) -> ProblemResponse:
    """Return the response for a problem.

    :param members: further members of the problem.
    """
    wait_s = (
        RETRY_AFTER_S
        if kind.status == HTTPStatus.SERVICE_UNAVAILABLE
        else members.get("retry_after_s")
    )
    problem = Problem(
        type=f"/problems/{kind.slug}",
        title=kind.title,
        status=kind.status,
        detail=str(detail),
        instance=quote(request.scope["path"]),
        **members,
    )
    retry = {} if wait_s is None else {"Retry-After": str(wait_s)}
    return ProblemResponse(
        problem.model_dump(mode="json", exclude_none=True),
        status_code=kind.status,
        headers={**retry, **(headers or {})},
    )


def _own(request: Request, error: ProblemError) -> ProblemResponse:
    return problem_response(
        request, error.kind, error.message, headers=error.headers, **error.members
    )


def _refused(request: Request, error: RefusedError) -> ProblemResponse:
    if error.field is None:
        return problem_response(request, BAD_VALUE, error.message, limit=error.limit)
    place = "query" if error.field in request.query_params else "body"
    detail = str(error)
    return _bad_values(request, detail, (FieldProblem.of(error.field, detail, error.limit, place),))


def _surprising(request: Request, error: SurprisingReadingError) -> ProblemResponse:
    return problem_response(
        request,
        SURPRISING_READING,
        error.message,
        field=error.field,
        limit=error.limit,
        surprise=Surprise(**asdict(error.surprise)),
    )


def _too_many_tries(request: Request, error: TooManyTriesError) -> ProblemResponse:
    return problem_response(request, TOO_MANY_TRIES, error.message, retry_after_s=error.wait_s)


def _invalid(request: Request, error: RequestValidationError) -> ProblemResponse:
    found = error.errors()
    broken = next((item for item in found if item["type"] == "json_invalid"), None)
    if broken is not None:
        detail = text(
            "http.request.broken_json",
            parser_message=broken["ctx"]["error"],
            character=broken["loc"][-1],
        )
        return problem_response(request, BROKEN_JSON, detail)
    problems = tuple(field_problem(item) for item in found)
    sentences = " ".join(problem.message for problem in problems[:MOST_SENTENCES])
    return _bad_values(request, sentences, problems)


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
    """Return the response for an HTTP error of the framework, or for one that carries a message."""
    detail: Any = error.detail
    headers = error.headers
    kind = _OF_STATUS.get(error.status_code) or Kind(f"http-{error.status_code}", error.status_code)
    if isinstance(detail, Message):
        return problem_response(request, kind, detail, headers=headers)
    if kind == NOTHING_HERE:
        detail = text("http.request.nothing_here")
    elif kind == WRONG_METHOD:
        allowed = allowed_methods(request)
        detail = text("http.request.wrong_method", method=request.method, allowed=allowed)
        headers = {"Allow": allowed}
    elif kind == BROKEN_JSON:
        detail = text("http.request.unreadable_body")
    return problem_response(request, kind, str(detail), headers=headers)


def _fault(request: Request, error: Exception) -> ProblemResponse:
    """Reveal nothing of the fault; the server logs the traceback.

    This response passes no middleware, so it brings the headers itself.
    """
    _log.error(
        text(
            "http.request.fault_logged",
            method=request.method,
            path=quote(request.scope["path"]),
            error_type=type(error).__name__,
        )
    )
    return problem_response(
        request,
        FAULT,
        text("http.request.fault"),
        headers={**SAFE_HEADERS, "Cache-Control": "no-store"},
    )


def _of_kind(kind: Kind, **members: Any) -> Callable[[Request, Any], ProblemResponse]:
    return lambda request, error: problem_response(request, kind, error.message, **members)


def _without_thread(
    respond: Callable[[Request, Any], ProblemResponse],
) -> Callable[[Request, Any], Coroutine[Any, Any, Response]]:
    """Return the handler as a coroutine. A plain one would wait for a free thread of the pool."""

    async def handle(request: Request, error: Any) -> ProblemResponse:
        return respond(request, error)

    return handle


_RESPONSES: Mapping[type[Exception], Callable[[Request, Any], ProblemResponse]] = {
    ProblemError: _own,
    UnknownRunError: _of_kind(UNKNOWN_RUN),
    UnknownReadingError: _of_kind(UNKNOWN_READING),
    ReplacedReadingError: _of_kind(WRONG_STATE),
    SurprisingReadingError: _surprising,
    RefusedError: _refused,
    WrongStateError: _of_kind(WRONG_STATE),
    LateCommandError: _of_kind(LATE_COMMAND),
    OtherRunError: _of_kind(OTHER_RUN),
    LoopNotAliveError: _of_kind(LOOP_NOT_ALIVE, part="loop"),
    CalculationFailedError: _of_kind(CALCULATION_FAILED),
    LogbookUnreadableError: _of_kind(LOGBOOK_UNREADABLE, part="logbook"),
    MeasureFailedError: _of_kind(NOT_MEASURABLE),
    NoRoomError: _of_kind(NO_ROOM),
    BackupFailedError: _of_kind(BACKUP_FAILED),
    TooManyTriesError: _too_many_tries,
    PairingsFullError: _of_kind(TOO_MANY_PAIRINGS),
    UnknownPairingError: _of_kind(UNKNOWN_PAIRING),
    NotSavedError: _of_kind(NOT_SAVED),
    RequestValidationError: _invalid,
    HTTPException: http_problem,
    Exception: _fault,
}
"""What the client gets for each type of error. The closest base class decides."""


def problem_handlers() -> dict[Any, Callable[[Request, Any], Coroutine[Any, Any, Response]]]:
    """Return the exception handlers of the application."""
    return {error: _without_thread(response) for error, response in _RESPONSES.items()}
