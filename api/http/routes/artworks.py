"""Artworks: upload and measure a file, and see what will be etched."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path as FilePath
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Path, Query, Response
from starlette.requests import ClientDisconnect, Request

from api.http.artworks.artwork_shelf import NoRoomError, UnknownArtworkError
from api.http.body_limit import Bounds
from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.guards.origin import media_type
from api.http.models.artworks import (
    ArtworkAnswer,
    ArtworkList,
    ArtworkListed,
)
from api.http.models.base import HASH
from api.http.models.plates.artwork_request import PreviewQuery, UploadQuery
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BAD_VALUE,
    MEASURING,
    NO_ARTWORK_TYPE,
    NO_ROOM,
    NOT_MEASURABLE,
    TOO_LARGE,
    TOO_SLOW,
    UNKNOWN_ARTWORK,
)
from api.http.problems import ProblemError
from controller.artwork.entry import MOST_FILE_BYTES, SUFFIXES, Artwork
from controller.artwork.options import MeasureOptions
from controller.texts import Message

UPLOAD_BOUNDS = Bounds(MOST_FILE_BYTES, 120.0)
"""A poor wireless network carries 1 MB/s."""

UNDERCUT_STEP_MM = 0.01
"""Step of the undercuts that are drawn: finer than a pixel, and few pictures to keep."""

ArtworkId = Annotated[
    str, Path(description="Name of the artwork. No unit.", examples=["3f" * 32], pattern=HASH)
]

_FILE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "description": "The file as it is, at most 64 MB.",
        "content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in SUFFIXES},
    }
}
_PNG: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The picture: what will be etched, the undercut's edge, and the lost lines.",
        "content": {"image/png": {"schema": {"type": "string", "format": "binary"}}},
    }
}


def artwork_routes(context: AppContext) -> APIRouter:
    """Return the routes of the artworks."""
    router = APIRouter(tags=["artworks"], dependencies=[Depends(refuse_if_revoked)])
    shelf = context.artworks

    @router.post(
        "/api/artworks",
        operation_id="uploadArtwork",
        summary="Upload an artwork and measure it",
        status_code=201,
        openapi_extra=_FILE,
        responses={
            200: {
                "model": ArtworkAnswer,
                "description": "The same file was measured the same way before.",
            },
            **problem_responses(
                NO_ARTWORK_TYPE, BAD_VALUE, TOO_LARGE, TOO_SLOW, NOT_MEASURABLE, MEASURING, NO_ROOM
            ),
        },
    )
    async def upload(
        request: Request, query: Annotated[UploadQuery, Query()], response: Response
    ) -> ArtworkAnswer:
        """One at a time, in a separate process: a second for a brooch, ten for an A4 page."""
        kind = media_type(request)
        if kind not in SUFFIXES:
            raise _wrong_type(kind)
        options = query.options(context.service.settings.cell.field)
        with context.measurer.held():
            found, is_new = await _received_and_measured(
                context, request, kind, query.name, options
            )
        response.status_code = 201 if is_new else 200
        response.headers["Location"] = f"/api/artworks/{found.artwork}"
        return ArtworkAnswer.of(found)

    @router.get(
        "/api/artworks",
        operation_id="listArtworks",
        summary="Artworks, those used last first",
        responses=problem_responses(BAD_VALUE),
    )
    async def list_artworks(
        limit: Annotated[
            int,
            Query(description="Most artworks in the answer. No unit.", examples=[20], ge=1, le=50),
        ] = 20,
    ) -> ArtworkList:
        """The artworks used longest ago are removed when room is needed."""
        found = await context.reading.run(shelf.recent, limit)
        return ArtworkList(artworks=tuple(ArtworkListed.of(artwork) for artwork in found))

    @router.get(
        "/api/artworks/{artwork}",
        operation_id="getArtwork",
        summary="One artwork with all that was measured of it",
        responses=problem_responses(BAD_VALUE, UNKNOWN_ARTWORK),
    )
    async def get_artwork(artwork: ArtworkId) -> ArtworkAnswer:
        """Name it as artwork in a plan."""
        with _unknown_is_404():
            return ArtworkAnswer.of(await context.reading.run(shelf.get, artwork))

    @router.get(
        "/api/artworks/{artwork}/preview.png",
        operation_id="previewArtwork",
        summary="A picture of what will be etched",
        response_class=Response,
        responses={
            **_PNG,
            **problem_responses(BAD_VALUE, UNKNOWN_ARTWORK, NOT_MEASURABLE, MEASURING),
        },
    )
    async def preview(artwork: ArtworkId, query: Annotated[PreviewQuery, Query()]) -> Response:
        """The undercut is drawn in steps of 0.01 mm. A new picture takes as long as measuring."""
        undercut_mm = _undercut_mm(query)
        path = shelf.kept_picture(artwork, undercut_mm)
        if path is None:
            with context.measurer.held(), _unknown_is_404():
                path = await context.measuring.run(shelf.picture, artwork, undercut_mm)
        return Response(await context.reading.run(path.read_bytes), media_type="image/png")

    return router


def _undercut_mm(query: PreviewQuery) -> float | None:
    """Return the undercut to draw, mm. Raises: RefusedError for an impossible one."""
    undercut_mm = MeasureOptions(depth_mm=query.depth_mm, etch_factor=query.etch_factor).undercut_mm
    if undercut_mm is None:
        return None
    return max(UNDERCUT_STEP_MM, round(undercut_mm / UNDERCUT_STEP_MM) * UNDERCUT_STEP_MM)


def _wrong_type(kind: str) -> ProblemError:
    """Return the refusal of a media type. ``kind`` is empty when there is none."""
    accepted_types = ", ".join(SUFFIXES)
    if not kind:
        return ProblemError(NO_ARTWORK_TYPE, "http.artwork.untyped", accepted_types=accepted_types)
    return ProblemError(
        NO_ARTWORK_TYPE,
        "http.artwork.wrong_type",
        media_type=kind,
        accepted_types=accepted_types,
    )


@contextmanager
def _unknown_is_404() -> Iterator[None]:
    """Turn an unknown artwork into 404. In a plan it is a value that cannot be used (422)."""
    try:
        yield
    except UnknownArtworkError as error:
        raise ProblemError.of(UNKNOWN_ARTWORK, error.message) from error


async def _received_and_measured(
    context: AppContext, request: Request, kind: str, name: str, options: MeasureOptions
) -> tuple[Artwork, bool]:
    """Write the body into a file, piece by piece, and measure it."""
    file = None
    try:
        file = await context.measuring.run(context.artworks.new_file, kind, UPLOAD_BOUNDS.max_bytes)
        await _received(context, request, file)
        await refuse_if_revoked(request)
        return await context.measuring.run(context.artworks.put, file, name, kind, options)
    except ClientDisconnect as error:
        raise HTTPException(400, Message("http.artwork.cut_off")) from error
    finally:
        if file is not None:
            await asyncio.shield(context.measuring.run(context.artworks.discard, file))


async def _received(context: AppContext, request: Request, file: FilePath) -> None:
    """Write the body as it arrives, never all of it in memory. Raises: NoRoomError."""
    try:
        out = await context.measuring.run(file.open, "xb")
        try:
            async for piece in request.stream():
                if piece:
                    await context.measuring.run(out.write, piece)
        finally:
            await context.measuring.run(out.close)
    except OSError as error:
        raise NoRoomError(
            "http.artwork.not_written", system_message=error.strerror or str(error)
        ) from error
