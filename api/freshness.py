"""Answers of the API are of this moment: nobody keeps them."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.page_files import API_PREFIX


class NoStore:
    """Marks answers under /api as not to be stored, unless they say otherwise themselves."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and mark its answer."""
        if scope["type"] != "http" or not scope["path"].startswith(API_PREFIX + "/"):
            await self._app(scope, receive, send)
            return

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, marked)
