"""How the bench stands: status, health, live events. None of them waits for the loop or takes a thread."""

from __future__ import annotations

from fastapi import APIRouter, Response
from starlette.responses import StreamingResponse

from api.desk import Desk
from api.live import LiveResponse
from api.problem_kinds import LOOP_NOT_ALIVE, TOO_MANY_STREAMS
from api.problems import told_problems
from api.schemas_status import Health, LogbookHealthAnswer, LoopHealth, SensorHealth, Status

_STREAM = {
    "description": "Unnamed events (data: a Status, id: its sequence) at most four times a second. When there is no newer "
    "status, events named heartbeat (data: a Heartbeat) every two seconds: numbers shown are not live while its loop_alive is "
    "false.",
    "content": {
        "text/event-stream": {
            "schema": {"type": "string"},
            "example": 'retry: 1000\nid: 7\ndata: {"sequence": 7, "state": "idle"}\n\n',
        }
    },
}


def status_routes(desk: Desk) -> APIRouter:
    """Return the routes that tell how the bench stands."""
    router = APIRouter(tags=["status"])

    @router.get("/api/status", operation_id="status", summary="The bench as it stands", responses=told_problems(LOOP_NOT_ALIVE))
    async def status() -> Status:
        """An old number is never shown as live: when the loop is silent the answer is 503."""
        return desk.status()

    @router.get(
        "/api/health",
        operation_id="health",
        summary="How the parts of the service are",
        responses=told_problems(LOOP_NOT_ALIVE),
    )
    async def health() -> Health:
        """200 while the control loop is alive; a logbook or sensor that fails is told in the body."""
        snapshot = desk.service.snapshot()
        return Health(
            loop=LoopHealth(alive=True, silent_s=desk.board.silent_s()),
            sensor=SensorHealth(sample_age_s=snapshot.sample_age_s, message=snapshot.sensor_message),
            logbook=LogbookHealthAnswer.model_validate(desk.logbook_health()),
            rig=desk.rig_kind,
            version=desk.version,
        )

    @router.get(
        "/api/events",
        operation_id="liveEvents",
        summary="Live status as server-sent events",
        response_class=StreamingResponse,
        responses={200: _STREAM, **told_problems(TOO_MANY_STREAMS)},
    )
    async def events() -> Response:
        """One stream a page: browsers open at most six to a host."""
        return LiveResponse(desk.live)

    return router
