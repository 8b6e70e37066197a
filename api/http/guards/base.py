"""The checks before the routes: who may ask, from where, and how much at once. Stop passes all.

The people of the studio, their guests and their devices are on the studio's network. Other users
and programs may be on the Pi. All of them may stop a run and, unless a setting says otherwise,
look at it and at its record. They cannot:

- see an artwork, or control, without the PIN (ControlGuard). Paired devices show it, and so does
  "biteclock pair" to members of the group biteclock. Being on the Pi itself proves nothing.
- let a foreign web page in a paired browser give commands. Its origin differs (OriginGuard). A
  page that turns its own name to the Pi's address is refused by that name (HostGuard).
- block the daemon with connections or requests that never end, or with too many of them (the
  door, LoadGuard, BodyLimit, BoundedProtocol).

The local socket is trusted: the permissions of its file decide who can connect to it, and no
browser can.

These are not kept out: somebody who listens on the network reads everything, cookies included,
because the daemon speaks plain HTTP; somebody may flood the network itself; somebody may have the
rights of the daemon's user or of root on the Pi. Anybody may press Stop, on purpose. The worst
that does is to open the relay.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from contextvars import ContextVar

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

STOP = "/api/stop"
LIVE = "/api/events"
PAIR = "/api/pair"
ACCESS = "/api/access"
UPLOAD = "/api/artworks"
RESTORE = "/api/restore"
METRICS = "/metrics"
"""Where monitoring systems look by default."""

IS_GUEST: ContextVar[bool] = ContextVar("IS_GUEST", default=False)
"""Whether the present request comes from a device that is not paired."""

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing. Source: RFC 9110 section 9.2.1. No address here takes OPTIONS."""


def is_stop(scope: Scope) -> bool:
    """Return whether a request is Stop, which no guard delays."""
    return bool(scope["method"] == "POST" and scope["path"] == STOP)


def is_of_artworks(path: str) -> bool:
    """Return whether an address shows artworks."""
    return path == UPLOAD or path.startswith(UPLOAD + "/")


class Guard(ABC):
    """One rule. It lets a request pass or answers it with a problem."""

    @abstractmethod
    def refusal(self, request: Request) -> Response | None:
        """Return the response to a request that may not pass, or None."""


class GuardRow:
    """The middleware that asks the guards in order. The first refusal is the response.

    Stop passes without a question to any of them.

    :param guards: in the order in which they are asked.
    """

    def __init__(self, app: ASGIApp, guards: Sequence[Guard]) -> None:
        self._app = app
        self._guards = tuple(guards)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "http" and not is_stop(scope):
            request = Request(scope)
            for guard in self._guards:
                refused = guard.refusal(request)
                if refused is not None:
                    await refused(scope, receive, send)
                    return
        await self._app(scope, receive, send)
