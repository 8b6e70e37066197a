"""Plates: several measured artworks put together on one sheet."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from fastapi import APIRouter, Depends, Response

from api.http.artworks.artwork_shelf import ArtworkShelf
from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.models.artworks import ArtworkAnswer
from api.http.models.plates.artwork_request import PlateBody
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    MEASURING,
    NO_ROOM,
    NOT_JSON,
    NOT_MEASURABLE,
    TOO_LARGE,
    TOO_SLOW,
    UNKNOWN_ARTWORK,
)
from controller.artwork.assembly.assembling import WantedPiece, put_together
from controller.artwork.assembly.plate_file import MEDIA_TYPE
from controller.artwork.entry import Artwork
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import planning_options
from controller.errors import RefusedError


def plate_routes(context: AppContext) -> APIRouter:
    """Return the route of the plates."""
    router = APIRouter(tags=["artworks"], dependencies=[Depends(refuse_if_revoked)])

    @router.post(
        "/api/plates",
        operation_id="assemblePlate",
        summary="Put several artworks together on one plate and measure it",
        status_code=201,
        responses={
            200: {
                "model": ArtworkAnswer,
                "description": "The same plate was measured before.",
            },
            **problem_responses(
                *(BAD_VALUE, BROKEN_JSON, TOO_LARGE, TOO_SLOW, NOT_JSON),
                *(UNKNOWN_ARTWORK, NOT_MEASURABLE, MEASURING, NO_ROOM),
            ),
        },
    )
    async def assemble(body: PlateBody, response: Response) -> ArtworkAnswer:
        """The plate is an artwork like any other: name it in a plan.

        Its measurement lists the pieces with their places.
        """
        options = planning_options(
            MeasureOptions(), body.depth_mm, context.service.settings.cell.field
        )
        with context.measurer.held():
            # The measuring goes on when nobody waits for its answer: the seat is taken until then.
            making = context.measuring.run(_assembled, context.artworks, body, options)
            found, is_new = await asyncio.shield(making)
        response.status_code = 201 if is_new else 200
        response.headers["Location"] = f"/api/artworks/{found.artwork}"
        return ArtworkAnswer.of(found)

    return router


def _assembled(
    shelf: ArtworkShelf, body: PlateBody, options: MeasureOptions
) -> tuple[Artwork, bool]:
    """Return the measured plate, and whether it is new. Blocks.

    Raises: RefusedError, MeasureFailedError, NoRoomError.
    """
    pieces, total_bytes = [], 0
    for number, piece in enumerate(body.pieces):
        if (piece.x_mm is None) != (piece.y_mm is None):
            raise RefusedError("http.plate.half_place", field=f"pieces.{number}.x_mm")
        found, file = shelf.with_file(piece.artwork)
        total_bytes += found.file_bytes
        place = None
        if piece.x_mm is not None and piece.y_mm is not None:
            place = piece.x_mm, piece.y_mm
        pieces.append(
            WantedPiece(
                file,
                found.name or found.measure.file_format,
                _reading(found.options),
                (found.measure.width_mm, found.measure.height_mm),
                place,
                piece.degrees,
            )
        )
    target = shelf.new_file(MEDIA_TYPE, total_bytes)
    try:
        put_together(
            target,
            pieces,
            sheet_mm=_sheet_mm(body),
            spacing_mm=body.spacing_mm,
            border_mm=body.border_mm,
        )
        return shelf.put(target, body.name, MEDIA_TYPE, options)
    finally:
        shelf.discard(target)


def _reading(options: MeasureOptions) -> MeasureOptions:
    """Return how to read an artwork, without what was asked of its measurement."""
    return replace(options, depth_mm=None, etch_factor=None, max_undercut_mm=None, bath=None)


def _sheet_mm(body: PlateBody) -> tuple[float, float] | None:
    if (body.sheet_width_mm is None) != (body.sheet_height_mm is None):
        raise RefusedError("http.plate.half_sheet", field="sheet_width_mm")
    if body.sheet_width_mm is None or body.sheet_height_mm is None:
        return None
    return body.sheet_width_mm, body.sheet_height_mm
