"""The page: static files from one directory, asked for anew each time and sent only when they changed."""

from __future__ import annotations

import os
from pathlib import Path

from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.routing import Match, Mount
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

PAGE_DIRECTORY = Path(__file__).resolve().parents[1] / "page"

API_PREFIX = "/api"


class PageFiles(StaticFiles):
    """Files that the browser keeps and asks about (ETag, no-cache): after an update no page runs half old."""

    def file_response(
        self,
        full_path: os.PathLike[str] | str,
        stat_result: os.stat_result,
        scope: Scope,
        status_code: int = 200,
    ) -> Response:
        """Return the file, or that it has not changed."""
        response = super().file_response(full_path, stat_result, scope, status_code)
        response.headers["Cache-Control"] = "no-cache"
        return response


class PageMount(Mount):
    """The page at /, out of the API's way: there, a wrong method is a wrong method and no missing file."""

    def __init__(self, directory: Path) -> None:
        super().__init__(
            "/", GZipMiddleware(PageFiles(directory=directory, html=True)), name="page"
        )

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Match everything but the API's paths."""
        path = scope.get("path", "")
        if path == API_PREFIX or path.startswith(API_PREFIX + "/"):
            return Match.NONE, {}
        return super().matches(scope)
