"""So many requests at once and no more: those that wait hold memory and connections that Stop may need."""

from __future__ import annotations

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.guards.base import LIVE, is_stop
from api.http.problem_kinds import TOO_BUSY
from api.http.problems import problem_response

MAX_UNDER_WAY = 100
"""Requests that may be under way: many times what the phones of a studio ask. Live streams have a limit of their own."""


class LoadGuard:
    """Refuses what is too much. Stop and the live streams do not count.

    :param most: requests under way.
    """

    def __init__(self, app: ASGIApp, most: int = MAX_UNDER_WAY) -> None:
        self._app = app
        self._most = most
        self.under_way = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http" or is_stop(scope) or scope["path"] == LIVE:
            await self._app(scope, receive, send)
            return
        if self.under_way >= self._most:
            refused = problem_response(
                Request(scope),
                TOO_BUSY,
                f"{self.under_way} requests are under way, at most {self._most} may be: ask again",
            )
            await refused(scope, receive, send)
            return
        self.under_way += 1
        try:
            await self._app(scope, receive, send)
        finally:
            self.under_way -= 1
