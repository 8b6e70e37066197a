"""Notes when the head of a request arrived, and the newest request for off at that time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.guards.base import is_stop

ARRIVAL = "biteclock.arrival"
"""Key of the arrival in the scope of a request."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """What was so when the head of a request arrived.

    :param at_s: when that was, on the machine's monotonic clock, s.
    :param asked_off: number of the newest request for off.
    """

    at_s: float
    asked_off: int


class ArrivalNote:
    """Puts the arrival into the scope. It comes first: everything after it may wait.

    A body may take seconds to arrive, and a person may press Stop meanwhile. Stop itself passes
    without a note.

    :param now: returns the arrival of a request that arrives now.
    """

    def __init__(self, app: ASGIApp, now: Callable[[], Arrival]) -> None:
        self._app = app
        self._now = now

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Note the arrival, then pass the request on."""
        if scope["type"] == "http" and not is_stop(scope):
            scope[ARRIVAL] = self._now()
        await self._app(scope, receive, send)


def arrival_of(request: Request) -> Arrival:
    """Return when a request arrived."""
    arrival: Arrival = request.scope[ARRIVAL]
    return arrival
