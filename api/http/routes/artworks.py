"""Artworks: upload and measure a file, look at what becomes of it."""

from __future__ import annotations

import asyncio
from pathlib import Path as FilePath
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Query, Response
from starlette.requests import ClientDisconnect, Request

from api.http.artwork_shelf import SUFFIXES, Artwork, NoRoomError, UnknownArtworkError
from api.http.body_limit import Bounds
from api.http.context import AppContext
from api.http.guards.origin import media_type
from api.http.models.artworks import (
    ArtworkList,
    ArtworkListed,
    ArtworkTold,
    PreviewQuery,
    UploadQuery,
)
from api.http.models.base import HASH
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
from api.http.problems import ProblemError, told_problems
from controller.artwork.options import MeasureOptions
from controller.artwork.result import MeasureFailedError

UPLOAD_BOUNDS = Bounds(64_000_000, 120.0)
"""An A4 page at 1200 dpi is 5 MB as a black and white PNG and 20 to 60 MB in grey; over a poor wireless network 1 MB/s."""

UNDERCUT_STEP_MM = 0.01
"""Undercuts are drawn in steps of this: finer than a pixel of the picture, and few pictures to keep."""

_FOREVER = {"Cache-Control": "private, max-age=86400"}

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
        "description": "The picture: what will be etched, the undercut's edge, and the lines that it takes.",
        "content": {"image/png": {"schema": {"type": "string", "format": "binary"}}},
    }
}


def artwork_routes(context: AppContext) -> APIRouter:
    """Return the routes of the artworks."""
    router = APIRouter(tags=["artworks"])
    shelf = context.artworks

    @router.post(
        "/api/artworks",
        operation_id="uploadArtwork",
        summary="Upload an artwork and measure it",
        status_code=201,
        openapi_extra=_FILE,
        responses={
            200: {
                "model": ArtworkTold,
                "description": "The same file was measured the same way before.",
            },
            **told_problems(
                NO_ARTWORK_TYPE, BAD_VALUE, TOO_LARGE, TOO_SLOW, NOT_MEASURABLE, MEASURING, NO_ROOM
            ),
        },
    )
    async def upload(
        request: Request, query: Annotated[UploadQuery, Query()], response: Response
    ) -> ArtworkTold:
        """One at a time. Measuring takes a second for a brooch and some ten for an A4 page, in a process of its own."""
        kind = media_type(request)
        if kind not in SUFFIXES:
            raise ProblemError(
                NO_ARTWORK_TYPE, f"the body is {kind or 'of no type'}: send {', '.join(SUFFIXES)}"
            )
        options = query.options()
        with context.measurer.taken():
            found, is_new = await _received_and_measured(
                context, request, kind, query.name, options
            )
        response.status_code = 201 if is_new else 200
        response.headers["Location"] = f"/api/artworks/{found.artwork}"
        return ArtworkTold.of(found)

    @router.get(
        "/api/artworks",
        operation_id="listArtworks",
        summary="Artworks, those used last first",
        responses=told_problems(BAD_VALUE),
    )
    async def list_artworks(
        limit: Annotated[
            int,
            Query(description="Most artworks in the answer. No unit.", examples=[20], ge=1, le=50),
        ] = 20,
    ) -> ArtworkList:
        """Those that were used longest ago are removed when room is needed."""
        found = await context.reading.run(shelf.recent, limit)
        return ArtworkList(artworks=tuple(ArtworkListed.of(artwork) for artwork in found))

    @router.get(
        "/api/artworks/{artwork}",
        operation_id="getArtwork",
        summary="One artwork with all that was measured of it",
        responses=told_problems(BAD_VALUE, UNKNOWN_ARTWORK),
    )
    async def get_artwork(artwork: ArtworkId) -> ArtworkTold:
        """Name it as artwork in a plan."""
        try:
            return ArtworkTold.of(await context.reading.run(shelf.get, artwork))
        except UnknownArtworkError as error:
            raise ProblemError(UNKNOWN_ARTWORK, str(error)) from error

    @router.get(
        "/api/artworks/{artwork}/preview.png",
        operation_id="previewArtwork",
        summary="A picture of what will be etched",
        response_class=Response,
        responses={**_PNG, **told_problems(BAD_VALUE, UNKNOWN_ARTWORK, NOT_MEASURABLE, MEASURING)},
    )
    async def preview(artwork: ArtworkId, query: Annotated[PreviewQuery, Query()]) -> Response:
        """Undercuts in steps of 0.01 mm. A new picture takes as long as measuring does, a known one comes at once."""
        undercut_mm = _undercut_mm(query)
        path = shelf.kept_picture(artwork, undercut_mm)
        if path is None:
            with context.measurer.taken():
                path = await _drawn(context, artwork, undercut_mm)
        return Response(
            await context.reading.run(path.read_bytes), media_type="image/png", headers=_FOREVER
        )

    return router


def _undercut_mm(query: PreviewQuery) -> float | None:
    """Return the undercut to draw, mm. Raises: RefusedError for one that cannot be."""
    undercut_mm = MeasureOptions(depth_mm=query.depth_mm, etch_factor=query.etch_factor).undercut_mm
    if undercut_mm is None:
        return None
    return max(UNDERCUT_STEP_MM, round(undercut_mm / UNDERCUT_STEP_MM) * UNDERCUT_STEP_MM)


async def _drawn(context: AppContext, artwork: str, undercut_mm: float | None) -> FilePath:
    try:
        return await context.measuring.run(context.artworks.picture, artwork, undercut_mm)
    except UnknownArtworkError as error:
        raise ProblemError(UNKNOWN_ARTWORK, str(error)) from error
    except MeasureFailedError as error:
        raise ProblemError(NOT_MEASURABLE, str(error)) from error


async def _received_and_measured(
    context: AppContext, request: Request, kind: str, name: str, options: MeasureOptions
) -> tuple[Artwork, bool]:
    """Take the body into a file, piece by piece, and have it measured."""
    file = None
    try:
        file = await context.measuring.run(context.artworks.new_file, kind, UPLOAD_BOUNDS.max_bytes)
        await _received(context, request, file)
        return await context.measuring.run(context.artworks.put, file, name, kind, options)
    except MeasureFailedError as error:
        raise ProblemError(NOT_MEASURABLE, str(error)) from error
    except NoRoomError as error:
        raise ProblemError(NO_ROOM, str(error)) from error
    except ClientDisconnect as error:
        raise HTTPException(400, "the file did not come whole: send it again") from error
    finally:
        if file is not None:
            await asyncio.shield(context.measuring.run(context.artworks.discard, file))


async def _received(context: AppContext, request: Request, file: FilePath) -> None:
    """Write the body as it comes: never the whole of it in memory. Raises: NoRoomError."""
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
            f"the file cannot be written: {error.strerror or error}. Make room on the card"
        ) from error
