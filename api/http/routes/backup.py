"""Backup: download one, and restore one."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends
from starlette.background import BackgroundTask
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from api.http.body_limit import Bounds
from api.http.context import AppContext, Lane
from api.http.guards.control import refuse_if_revoked
from api.http.guards.origin import media_type
from api.http.models.backup import RestoreAnswer
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BACKUP_FAILED,
    BAD_VALUE,
    LOGBOOK_UNREADABLE,
    NO_BACKUP_TYPE,
    PAIRING_NEEDED,
    TOO_LARGE,
    TOO_SLOW,
    WRONG_STATE,
)
from api.http.problems import ProblemError
from api.http.routes.access import Controlling
from controller.backup.form import MEDIA_TYPE, MOST_BACKUP_BYTES
from controller.texts import text

RESTORE_BOUNDS = Bounds(MOST_BACKUP_BYTES, 1800.0)
"""A poor wireless network carries 1 MB/s, and a local socket far more."""

_FILE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "description": "The backup as it was downloaded, at most 2 GB.",
        "content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}},
    }
}
_ZIP: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The backup, a zip file with a manifest.",
        "content": {MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}},
    }
}


def backup_routes(context: AppContext) -> APIRouter:
    """Return the routes of the backups."""
    router = APIRouter(tags=["backup"], dependencies=[Depends(refuse_if_revoked)])
    desk, lane = context.backups, context.backing_up

    @router.get(
        "/api/backup",
        operation_id="downloadBackup",
        summary="A backup of logbook, artworks and settings",
        response_class=StreamingResponse,
        responses={
            **_ZIP,
            **problem_responses(PAIRING_NEEDED, LOGBOOK_UNREADABLE, BACKUP_FAILED),
        },
    )
    async def download(caller: Controlling) -> Response:
        """For paired devices, even during a run. It holds no PIN, no tokens and no pairings."""
        pieces = desk.pieces()
        first = await lane.run(next, pieces)
        headers = {"Content-Disposition": f'attachment; filename="{desk.file_name()}"'}
        return StreamingResponse(
            _streamed(lane, first, pieces, lambda: context.access.may_still_control(caller)),
            media_type=MEDIA_TYPE,
            headers=headers,
        )

    @router.post(
        "/api/restore",
        operation_id="restoreBackup",
        summary="Restore a backup at the next start",
        status_code=202,
        response_model=RestoreAnswer,
        openapi_extra=_FILE,
        responses=problem_responses(
            PAIRING_NEEDED,
            NO_BACKUP_TYPE,
            BAD_VALUE,
            TOO_LARGE,
            TOO_SLOW,
            WRONG_STATE,
            BACKUP_FAILED,
        ),
    )
    async def restore(_caller: Controlling, request: Request) -> Response:
        """Refused during a run. Everything is checked before anything is replaced."""
        if media_type(request) != MEDIA_TYPE:
            raise ProblemError(NO_BACKUP_TYPE, "backup.wrong_type", media_type=MEDIA_TYPE)
        desk.refuse_in_run()
        with desk.incoming(_expected_bytes(request)) as file:
            await _received(lane, request, file)
            await refuse_if_revoked(request)
            manifest = await lane.run(desk.stage, file)
        key = "backup.restarting" if desk.restarts else "backup.staged"
        answer = RestoreAnswer(
            made_at_utc=manifest.made_at_utc,
            restarts=desk.restarts,
            message=text(key, made_at=manifest.made_at),
        )
        return JSONResponse(
            answer.model_dump(mode="json"),
            status_code=202,
            background=BackgroundTask(desk.restart_now),
        )

    return router


def _expected_bytes(request: Request) -> int:
    """Return the announced size of a body, or the largest one."""
    declared = request.headers.get("content-length", "")
    return int(declared[:18]) if declared.isdecimal() else MOST_BACKUP_BYTES


async def _streamed(
    lane: Lane, first: bytes, pieces: Iterator[bytes], may_still: Callable[[], bool]
) -> AsyncIterator[bytes]:
    """Yield the pieces; remove the copy of the logbook also when the client leaves early.

    :param may_still: returns whether the caller may have more. Without its end, a zip file is none.
    """
    try:
        yield first
        while may_still() and (piece := await lane.run(next, pieces, None)) is not None:
            if piece:
                yield piece
    finally:
        pieces.close()  # type: ignore[attr-defined]


async def _received(lane: Lane, request: Request, file: Path) -> None:
    try:
        with await lane.run(file.open, "xb") as taken:
            async for piece in request.stream():
                await lane.run(taken.write, piece)
    except ClientDisconnect:
        raise ProblemError(TOO_SLOW, "http.request.cut_short") from None
