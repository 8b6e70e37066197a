"""Shares of the requests at once: waiting ones hold memory and time that others may need."""

from __future__ import annotations

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.access.auth import CALLER, Access
from api.access.shares import CONNECTION, ShareLimits, Shares, guest_share
from api.http.guards.base import IS_GUEST, LIVE, is_stop
from api.http.guards.pace import Pace
from api.http.problem_kinds import TOO_BUSY
from api.http.problems import problem_response
from controller.texts import Message

LIMITS = ShareLimits(guests=50, per_address=16, paired=50)
"""Most requests at once. A browser sends six to one host at once, a studio's phones send few.

Live streams have limits of their own.
"""


class LoadGuard:
    """Notes who asks, and refuses requests beyond the share of their address.

    Guests never use a place of the paired devices. Stop is not counted, nor are the live streams.
    """

    def __init__(self, app: ASGIApp, access: Access, limits: ShareLimits = LIMITS) -> None:
        self._app = app
        self._access = access
        self._shares = Shares(limits)
        self._pace = Pace()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http" or is_stop(scope):
            await self._app(scope, receive, send)
            return
        is_paired = self._note_caller(scope)
        share = guest_share(scope, is_paired=is_paired)
        IS_GUEST.set(share is not None)
        await self._pace.turn(is_paired=share is None)
        if scope["path"] == LIVE:
            await self._app(scope, receive, send)
            return
        if not self._shares.take(share):
            refused = problem_response(Request(scope), TOO_BUSY, self._too_busy(share))
            await refused(scope, receive, send)
            return
        try:
            await self._app(scope, receive, send)
        finally:
            self._shares.give_back(share)

    def _note_caller(self, scope: Scope) -> bool:
        """Put the caller into the scope, and return whether there is one that may control."""
        caller = self._access.caller(Request(scope))
        if caller is not None:
            scope[CALLER] = caller
        connection = scope.get("state", {}).get(CONNECTION)
        if connection is not None:
            connection.note_caller(is_paired=caller is not None)
        return caller is not None

    def _too_busy(self, share: str | None) -> Message:
        used, most = self._shares.used_and_most(share)
        key = "http.request.too_busy" if share is None else "http.request.too_busy_guest"
        return Message(key, {"active_requests": used, "most_requests": most})
