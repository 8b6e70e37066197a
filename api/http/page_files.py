"""Serves the page: static files, and the texts of the catalogue put into them.

Two files are made when the application starts. ``index.html`` gets its texts in the place of
``{{key}}``; the module ``js/base/texts.js`` holds all texts of the page for the scripts. Browsers
keep every file and ask whether it has changed (ETag, no-cache), so that after an update no page
runs with half of its files old.
"""

from __future__ import annotations

import hashlib
import html
import json
import os
import re
from collections.abc import Mapping
from pathlib import Path

from starlette.datastructures import Headers
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.routing import Match, Mount
from starlette.staticfiles import NotModifiedResponse, StaticFiles
from starlette.types import Scope

from controller.texts.catalogue import CATALOGUE

PAGE_DIRECTORY = Path(__file__).resolve().parents[1] / "page"

API_PREFIX = "/api"

INDEX = "index.html"

TEXTS_MODULE = "js/base/texts.js"
"""The address of the texts; there is no such file in the directory of the page."""

_PLACEHOLDER = re.compile(r"\{\{([\w.-]+)\}\}")


def page_texts() -> Mapping[str, str]:
    """Return the texts of the page by their keys inside ``page.toml``."""
    return CATALOGUE.part("page")


def texts_module(texts: Mapping[str, str]) -> str:
    """Return the ES module that holds the texts."""
    return f"export const TEXTS = {json.dumps(dict(texts), ensure_ascii=False, indent=0)};\n"


def with_texts(source: str, texts: Mapping[str, str]) -> str:
    """Return HTML with a text in the place of each ``{{key}}``; an unknown key is shown itself."""
    return _PLACEHOLDER.sub(lambda it: html.escape(texts.get(it[1], it[1])), source)


class MadeFile:
    """A file that is made when the application starts.

    :param text: its content.
    :param media_type: its type, without the character set.
    """

    def __init__(self, text: str, media_type: str) -> None:
        self._body = text.encode()
        self._media_type = media_type
        self._etag = f'"{hashlib.sha256(self._body).hexdigest()[:32]}"'

    def response(self) -> Response:
        """Return the file with its ETag."""
        return Response(self._body, media_type=self._media_type, headers={"ETag": self._etag})


class PageFiles(StaticFiles):
    """The files of the page, the made ones among them.

    :param directory: holds the static files.
    :param texts: the texts of the page.
    """

    def __init__(self, directory: Path, texts: Mapping[str, str]) -> None:
        super().__init__(directory=directory, html=True)
        self._made = {TEXTS_MODULE: MadeFile(texts_module(texts), "text/javascript")}
        index = directory / INDEX
        if index.is_file():
            source = with_texts(index.read_text(encoding="utf-8"), texts)
            self._made[INDEX] = self._made["."] = MadeFile(source, "text/html")

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Return a file. Raises: HTTPException for other methods than GET and HEAD, or no file."""
        made = self._made.get(path) if scope["method"] in ("GET", "HEAD") else None
        if made is None:
            return await super().get_response(path, scope)
        return self._kept(made.response(), scope)

    def file_response(
        self,
        full_path: os.PathLike[str] | str,
        stat_result: os.stat_result,
        scope: Scope,
        status_code: int = 200,
    ) -> Response:
        """Return a static file, or that it has not changed."""
        return self._kept(super().file_response(full_path, stat_result, scope, status_code), scope)

    def _kept(self, response: Response, scope: Scope) -> Response:
        """Return what the browser keeps and asks about, or that it has not changed."""
        response.headers["Cache-Control"] = "no-cache"
        if self.is_not_modified(response.headers, Headers(scope=scope)):
            return NotModifiedResponse(response.headers)
        return response


class PageMount(Mount):
    """The page at /. Paths of the API are left to the API, which knows their methods.

    :param directory: holds the page.
    """

    def __init__(self, directory: Path) -> None:
        files = PageFiles(directory, page_texts())
        super().__init__("/", GZipMiddleware(files), name="page")

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Match everything but the API's paths."""
        path = scope.get("path", "")
        if path == API_PREFIX or path.startswith(API_PREFIX + "/"):
            return Match.NONE, {}
        return super().matches(scope)
