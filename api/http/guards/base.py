"""What stands before the routes: who may ask, from where, and how much at once. Stop passes it all.

On the studio's network are the people of the studio, their guests, and whatever runs on their devices; on the Pi other users
and programs. All of them may look (a setting) and stop. What they cannot do:

- control without having been shown the PIN at the bench (ControlGuard); being on the Pi itself is no proof of anything;
- let a web page that somebody opens on a paired phone, or on the Pi, give commands: its origin is another one (OriginGuard),
  and under a name of its own that it turns to the bench's address it is not known here (HostGuard);
- hold the bench up with requests that never end, or with too many of them (LoadGuard, BodyLimit, BoundedProtocol).

What is not held off: one who listens on the network reads everything, cookies included, since the bench speaks plain HTTP;
one who floods the network itself; one with the daemon's own or the administrator's rights on the Pi. Stop can be pressed by
anybody, on purpose: the worst that does is to open the relay.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

STOP = "/api/stop"
LIVE = "/api/events"
PAIR = "/api/pair"
ACCESS = "/api/access"
UPLOAD = "/api/artworks"

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
"""They change nothing. Source: RFC 9110 section 9.2.1; OPTIONS is taken nowhere here."""


def is_stop(scope: Scope) -> bool:
    """Return whether a request is Stop, which no guard holds up."""
    return bool(scope["method"] == "POST" and scope["path"] == STOP)


class Guard(ABC):
    """One rule: lets a request pass or answers it with a problem."""

    @abstractmethod
    def refusal(self, request: Request) -> Response | None:
        """Return the answer to a request that may not pass, or None."""


class GuardRow:
    """The middleware that asks the guards in their order; the first refusal is the answer. Stop is exempt here, for all of them.

    :param guards: in the order in which they are asked.
    """

    def __init__(self, app: ASGIApp, guards: Sequence[Guard]) -> None:
        self._app = app
        self._guards = tuple(guards)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] == "http" and not is_stop(scope):
            request = Request(scope)
            for guard in self._guards:
                refused = guard.refusal(request)
                if refused is not None:
                    await refused(scope, receive, send)
                    return
        await self._app(scope, receive, send)
