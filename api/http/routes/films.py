"""Films: an artwork with the undercut taken off its openings, as a file to print."""

from __future__ import annotations

from pathlib import PurePath
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Response

from api.http.artworks.artwork_shelf import UnknownArtworkError
from api.http.context import AppContext
from api.http.guards.control import refuse_if_revoked
from api.http.models.plates.artwork_request import FilmRequest
from api.http.problem_documents import problem_responses
from api.http.problem_kinds import (
    BAD_VALUE,
    BROKEN_JSON,
    MEASURING,
    NOT_JSON,
    NOT_MEASURABLE,
    TOO_LARGE,
    TOO_SLOW,
    UNKNOWN_ARTWORK,
)
from api.http.problems import ProblemError
from api.http.routes.artworks import ArtworkId
from controller.artwork.film.options import MEDIA_TYPES
from controller.artwork.film.result import FilmResult

_COUNTS = {
    "Lines-Saved": "Resist lines that would wash out without this film.",
    "Lines-Lost": "Resist lines that it cannot save.",
    "Openings-Limited": "Openings that keep the least width and come out wider than drawn.",
}
_FILM: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The film, at most 20 MB.",
        "headers": {
            name: {"description": words, "schema": {"type": "integer", "minimum": 0}}
            for name, words in _COUNTS.items()
        },
        "content": {
            kind: {"schema": {"type": "string", "format": "binary"}}
            for kind in MEDIA_TYPES.values()
        },
    }
}


def film_routes(context: AppContext) -> APIRouter:
    """Return the route of the films."""
    router = APIRouter(tags=["artworks"], dependencies=[Depends(refuse_if_revoked)])

    @router.post(
        "/api/artworks/{artwork}/film",
        operation_id="makeFilm",
        summary="A film of an artwork, with the undercut taken off its openings",
        response_class=Response,
        responses={
            **_FILM,
            **problem_responses(
                *(BAD_VALUE, BROKEN_JSON, TOO_LARGE, TOO_SLOW, NOT_JSON),
                *(UNKNOWN_ARTWORK, NOT_MEASURABLE, MEASURING),
            ),
        },
    )
    async def film(artwork: ArtworkId, wanted: FilmRequest) -> Response:
        """Takes as long as measuring, one at a time. Print it at 100 % and measure the bar."""
        options = wanted.options()
        with context.measurer.held():
            try:
                found, result, content = await context.measuring.run(
                    context.artworks.film, artwork, options
                )
            except UnknownArtworkError as error:
                raise ProblemError.of(UNKNOWN_ARTWORK, error.message) from error
        name = f"{PurePath(found.name).stem or 'artwork'}-film.{options.file_format}"
        return Response(
            content,
            media_type=MEDIA_TYPES[options.file_format],
            headers={**_counts(result), "Content-Disposition": _disposition(name)},
        )

    return router


def _counts(result: FilmResult) -> dict[str, str]:
    """Return what the film saves and what it cannot, for the page beside the download."""
    counts = (result.lines_saved, result.lines_lost, result.openings_limited)
    return {name: str(count) for name, count in zip(_COUNTS, counts, strict=True)}


def _disposition(name: str) -> str:
    """Return the header that names a download. Source: RFC 6266, RFC 8187."""
    plain = "".join(it if it.isascii() and (it.isalnum() or it in " .-_") else "_" for it in name)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}"
