"""HTTP connections that cannot be held open by saying or taking little: bounds on the head, on taking an answer, on idling."""

from __future__ import annotations

import asyncio
import itertools
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""Time for the head of a request from the moment that one is awaited, and for the rest of a body after its answer, s. uvicorn
itself bounds only the silence after an answer."""

STALL_S = 30.0
"""Time that a client may take nothing of an answer that waits for it, s: longer than a phone's walk through a dead spot. One
that never takes it would keep its place for ever."""

MAX_CONNECTIONS = 500
"""Open connections: 250 live streams, 100 requests under way, and room to knock. Half of the 1024 descriptors that a process
has by default on Linux."""

_numbers = itertools.count()


class BoundedProtocol(H11Protocol):
    """One connection. When there are too many, the one that has long said nothing whole goes: a new one is always heard."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.number = next(_numbers)
        self._giving_up: asyncio.TimerHandle | None = None
        self._stalling: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, and let another one go when there are too many."""
        super().connection_made(transport)
        self._watch()
        if len(self.connections) <= MAX_CONNECTIONS:
            return
        here = [
            other
            for other in self.connections
            if isinstance(other, BoundedProtocol) and not other.transport.is_closing()
        ]
        if len(here) > MAX_CONNECTIONS:  # those that were let go stay in the set for a moment
            idle = (other for other in here if other is not self and other.is_waiting)
            min(idle, key=lambda other: other.number, default=self).transport.abort()

    def data_received(self, data: bytes) -> None:
        """Take what came."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Go on to the next request."""
        super().on_response_complete()
        self._watch()

    def pause_writing(self) -> None:
        """Wait for a client that takes nothing, not for ever."""
        super().pause_writing()
        self._stalling = self.loop.call_later(STALL_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on."""
        self._stop_stalling()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._stop_watching()
        self._stop_stalling()
        super().connection_lost(exc)

    @property
    def is_waiting(self) -> bool:
        """Whether the client has yet to send the whole head of a request, or goes on with the body of an answered one."""
        state = self.conn.their_state
        return state is h11.IDLE or (
            state is h11.SEND_BODY and self.cycle is not None and self.cycle.response_complete
        )

    def _watch(self) -> None:
        if not self.is_waiting:
            self._stop_watching()
        elif self._giving_up is None:
            self._giving_up = self.loop.call_later(HEAD_S, self.transport.abort)

    def _stop_watching(self) -> None:
        if self._giving_up is not None:
            self._giving_up.cancel()
            self._giving_up = None

    def _stop_stalling(self) -> None:
        if self._stalling is not None:
            self._stalling.cancel()
            self._stalling = None
