"""Status, health and live events. None of them waits for the loop or takes a thread."""

from __future__ import annotations

from fastapi import APIRouter, Response
from starlette.requests import Request
from starlette.responses import StreamingResponse

from api.access.auth import caller_of
from api.http.context import AppContext
from api.http.live import LiveResponse
from api.http.models.health import Health, LogbookHealthAnswer, LoopHealth, SensorHealth
from api.http.models.status import Status, rendered
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import LOOP_NOT_ALIVE, TOO_MANY_STREAMS
from controller.errors import LoopNotAliveError
from controller.logbook.health import LogbookHealth
from controller.messages import Snapshot
from controller.running.snapshot import CLOCK_NOT_SET
from controller.texts import Message

_STREAM = {
    "description": "Unnamed events (data: a Status, id: its sequence) at most four times a second. "
    "Without a newer status, an event named heartbeat (data: a Heartbeat) every two seconds. While "
    "its loop_alive is false, the numbers of the last status are not live.",
    "content": {
        "text/event-stream": {
            "schema": {"type": "string"},
            "example": 'retry: 1000\nid: 7\ndata: {"sequence": 7, "state": "idle"}\n\n',
        }
    },
}


class NewestStatus:
    """The body of the newest status, encoded once for each snapshot.

    Belongs to the server's event loop.
    """

    def __init__(self, context: AppContext) -> None:
        self._context = context
        self._of: tuple[Snapshot, LogbookHealth] | None = None
        self._body = b""

    def body(self) -> bytes:
        """Return the status as JSON. Raises: LoopNotAliveError."""
        context = self._context
        snapshot, health = context.service.snapshot(), context.logbook_health()
        if self._of is None or self._of[0] is not snapshot or self._of[1] != health:
            status = Status.of(snapshot, health, context.rig_kind, context.version, context.name)
            self._of, self._body = (snapshot, health), status.model_dump_json().encode()
        return self._body


def _health(context: AppContext) -> Health:
    """Return the health of every part. A sensor or a clock that is not ready is no illness."""
    reasons: list[Message | str] = []
    try:
        context.service.snapshot()
    except LoopNotAliveError as error:
        reasons.append(error.message)
    is_alive, snapshot, logbook = not reasons, context.board.snapshot, context.logbook_health()
    if not logbook.ready:
        reasons.append(logbook.message or Message("run.restored.reading_logbook"))
    elif logbook.failing_since_at_s is not None:
        reasons.append(logbook.message or Message("http.health.logbook_fails"))
    if snapshot is not None and snapshot.thermometer_silent:
        reasons.append(Message("supervisor.refused.thermometer_silent"))
    is_clock_set = snapshot is None or snapshot.clock_set
    return Health(
        ready=not reasons,
        reasons=tuple(str(reason) for reason in reasons),
        notes=() if is_clock_set else (str(CLOCK_NOT_SET),),
        loop=LoopHealth(
            alive=is_alive, silent_s=context.board.silent_s(), watchdog_s=context.watchdog_s
        ),
        sensor=SensorHealth(
            sample_age_s=None if snapshot is None or not is_alive else snapshot.sample_age_s,
            message=None if snapshot is None else rendered(snapshot.sensor_message),
        ),
        logbook=LogbookHealthAnswer.model_validate(logbook),
        rig=context.rig_kind,
        version=context.version,
        name=context.name,
    )


def status_routes(context: AppContext) -> APIRouter:
    """Return the routes of status, health and live events."""
    router = APIRouter(tags=["status"])

    newest = NewestStatus(context)

    @router.get(
        "/api/status",
        operation_id="status",
        summary="The state of rig and run now",
        response_model=Status,
        responses=problem_responses(LOOP_NOT_ALIVE),
    )
    async def status() -> Response:
        """An old number is never shown as live. With a silent loop the response is 503."""
        return Response(newest.body(), media_type="application/json")

    @router.get(
        "/api/health",
        operation_id="health",
        summary="Whether the parts of the controller work",
        responses={
            503: {"model": Health, "description": "Something is not well: see the reasons."},
            **problem_responses(),
        },
    )
    async def health(response: Response) -> Health:
        """200 while all is well, else 503 with the same body. It works with a silent loop, too."""
        found = _health(context)
        if not found.ready:
            response.status_code = 503
        return found

    @router.get(
        "/api/events",
        operation_id="liveEvents",
        summary="Live status as server-sent events",
        response_class=StreamingResponse,
        responses={200: _STREAM, **problem_responses(TOO_MANY_STREAMS)},
    )
    async def events(request: Request) -> Response:
        """One stream for each page. Browsers open at most six to a host."""
        caller = caller_of(request)
        return LiveResponse(context.live, lambda: context.access.may_still_view(caller))

    return router
