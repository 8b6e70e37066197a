"""Reliefs: the etched plate as picture, height map, field and section, and places on it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Depends, Path, Query, Request, Response

from api.http.artworks.artwork_shelf import UnknownArtworkError
from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.models.base import HASH
from api.http.models.plates.reliefs import (
    PlaceQuery,
    ReliefQuery,
    SectionAnswer,
    SectionQuery,
    TappedPlace,
)
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import BAD_VALUE, MEASURING, NOT_MEASURABLE, UNKNOWN_ARTWORK
from api.http.problems import ProblemError
from controller.artwork.relief.field_form import unpacked
from controller.artwork.relief.profile import profile
from controller.physics.places import EVENNESS_GRID

Result = TypeVar("Result")

ArtworkId = Annotated[
    str,
    Path(
        description="Name of the artwork, or hash of its file. No unit.",
        examples=["3f" * 32],
        pattern=HASH,
    ),
]
_PROBLEMS = (BAD_VALUE, UNKNOWN_ARTWORK, NOT_MEASURABLE, MEASURING)


def _binary(description: str, kind: str) -> dict[int | str, dict[str, Any]]:
    content = {kind: {"schema": {"type": "string", "format": "binary"}}}
    return {200: {"description": description, "content": content}, **problem_responses(*_PROBLEMS)}


def relief_routes(context: AppContext) -> APIRouter:
    """Return the routes of the reliefs."""
    router = APIRouter(tags=["artworks"], dependencies=[Depends(refuse_if_revoked)])
    shelf = context.artworks.reliefs

    async def made(action: Callable[..., Result], *arguments: Any) -> Result:
        with context.measurer.held(), _unknown_is_404():
            return await context.measuring.run(action, *arguments)

    async def of_field(action: Callable[[str], Result], artwork: str) -> Result:
        """Return what an action makes of a field. A kept one is there while the bench measures."""
        with _unknown_is_404():
            if await context.reading.run(shelf.is_field_kept, artwork):
                return await context.reading.run(action, artwork)
        return await made(action, artwork)

    @router.get(
        "/api/artworks/{artwork}/relief.png",
        operation_id="getReliefPicture",
        summary="A shaded picture of the etched plate",
        response_class=Response,
        responses=_binary("The picture, with scale and legend.", "image/png"),
    )
    async def relief_picture(
        artwork: ArtworkId, query: Annotated[ReliefQuery, Query()]
    ) -> Response:
        """The depth is drawn in steps of 0.01 mm. A new picture takes some seconds."""
        options = query.options(is_height_map=False, bath=shelf.bath)
        path = await made(shelf.relief, artwork, options)
        return Response(await context.reading.run(path.read_bytes), media_type="image/png")

    @router.get(
        "/api/artworks/{artwork}/height-map.png",
        operation_id="getHeightMap",
        summary="A height map of the etched plate",
        response_class=Response,
        responses=_binary(
            "A 16-bit grey PNG. Its text chunks hold mm_per_level, offset_mm and pixel_mm.",
            "image/png",
        ),
    )
    async def height_map(artwork: ArtworkId, query: Annotated[ReliefQuery, Query()]) -> Response:
        """Height in mm = value * mm_per_level + offset_mm; the surface is 0."""
        options = query.options(is_height_map=True, bath=shelf.bath)
        path = await made(shelf.relief, artwork, options)
        return Response(await context.reading.run(path.read_bytes), media_type="image/png")

    @router.get(
        "/api/artworks/{artwork}/field",
        operation_id="getPlateField",
        summary="Distances and currents of the plate, for every depth",
        response_class=Response,
        responses=_binary(
            "Binary tables: controller/artwork/relief/field_form.py describes them.",
            "application/octet-stream",
        ),
    )
    async def plate_field(artwork: ArtworkId, request: Request) -> Response:
        """From it a page draws the plate at any depth. It is made once for an artwork."""
        path = await of_field(shelf.packed_field, artwork)
        packed = await context.reading.run(path.read_bytes)
        kind, headers = "application/octet-stream", {"Vary": "Accept-Encoding"}
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["Content-Encoding"] = "gzip"
            return Response(packed, media_type=kind, headers=headers)
        plain = await context.reading.run(unpacked, packed)
        return Response(plain, media_type=kind, headers=headers)

    @router.get(
        "/api/artworks/{artwork}/section",
        operation_id="getSection",
        summary="The etched surface along a line",
        responses=problem_responses(*_PROBLEMS),
    )
    async def section(artwork: ArtworkId, query: Annotated[SectionQuery, Query()]) -> SectionAnswer:
        """Beside the plate the depth is 0."""
        field = await of_field(shelf.field, artwork)
        ends_mm = (query.x0_mm, query.y0_mm, query.x1_mm, query.y1_mm)
        bath = (query.depth_mm, query.etch_factor, query.evenness)
        pairs = await context.reading.run(profile, field, ends_mm, query.points, *bath)
        length_mm = math.hypot(query.x1_mm - query.x0_mm, query.y1_mm - query.y0_mm)
        return SectionAnswer(length_mm=length_mm, profile=pairs)

    @router.get(
        "/api/artworks/{artwork}/place",
        operation_id="getPlace",
        summary="How deep a place becomes against the mean",
        responses=problem_responses(*_PROBLEMS),
    )
    async def place(artwork: ArtworkId, query: Annotated[PlaceQuery, Query()]) -> TappedPlace:
        """A place under the resist is refused. Give the answer's x and y with a gauge reading."""
        field = await of_field(shelf.field, artwork)
        found = field.place_at(query.x_mm, query.y_mm)
        return TappedPlace(
            name=found.name,
            x_mm=found.x_mm,
            y_mm=found.y_mm,
            share_of_area=found.share_of_area,
            ratios=found.ratios,
            width_mm=found.width_mm,
            evenness_grid=EVENNESS_GRID,
        )

    return router


@contextmanager
def _unknown_is_404() -> Iterator[None]:
    try:
        yield
    except UnknownArtworkError as error:
        raise ProblemError.of(UNKNOWN_ARTWORK, error.message) from error
