"""A limit on requests at once: waiting ones hold memory and connections that Stop may need."""

from __future__ import annotations

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.guards.base import LIVE, is_stop
from api.http.problem_kinds import TOO_BUSY
from api.http.problems import problem_response
from controller.texts import Message

MOST_REQUESTS = 100
"""Most requests at once: many times what the phones of a studio send.

Live streams have a separate limit.
"""


class LoadGuard:
    """Refuses requests beyond the limit. Stop and the live streams do not count.

    :param most: most requests at once.
    """

    def __init__(self, app: ASGIApp, most: int = MOST_REQUESTS) -> None:
        self._app = app
        self._most = most
        self.under_way = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http" or is_stop(scope) or scope["path"] == LIVE:
            await self._app(scope, receive, send)
            return
        if self.under_way >= self._most:
            refused = problem_response(
                Request(scope),
                TOO_BUSY,
                Message(
                    "http.request.too_busy",
                    {"active_requests": self.under_way, "most_requests": self._most},
                ),
            )
            await refused(scope, receive, send)
            return
        self.under_way += 1
        try:
            await self._app(scope, receive, send)
        finally:
            self.under_way -= 1
