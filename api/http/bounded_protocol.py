"""HTTP connections with limits on the time for a request's head and for taking a response."""

from __future__ import annotations

import asyncio
import itertools
import socket
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.access.auth import LOCAL

HEAD_S = 10.0
"""Longest wait for the head of a request, and for the rest of a body after its response, s.

uvicorn itself limits only the silence after a response.
"""

STALL_S = 30.0
"""Longest time without a client taking anything of its response, s.

That is longer than a phone's walk through a dead spot. A client that never reads would otherwise
keep its connection for ever.
"""

MAX_CONNECTIONS = 500
"""Most open connections: 250 live streams, 100 requests, and spare ones.

Half of the 1024 descriptors that a process has by default on Linux.
"""

_numbers = itertools.count()


class BoundedProtocol(H11Protocol):
    """One connection. A new one is always accepted.

    When there are too many, the oldest that has not sent a complete request is closed.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.number = next(_numbers)
        self._head_timer: asyncio.TimerHandle | None = None
        self._stall_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Accept a connection, and close another one when there are too many."""
        super().connection_made(transport)
        if transport.get_extra_info("socket").family == socket.AF_UNIX:
            self.app_state = {**self.app_state, LOCAL: True}
        self._watch_head()
        if len(self.connections) <= MAX_CONNECTIONS:
            return
        here = [
            other
            for other in self.connections
            if isinstance(other, BoundedProtocol) and not other.transport.is_closing()
        ]
        if len(here) > MAX_CONNECTIONS:  # closed ones stay in the set for a moment
            idle = (other for other in here if other is not self and other.is_waiting)
            min(idle, key=lambda other: other.number, default=self).transport.abort()

    def data_received(self, data: bytes) -> None:
        """Take the bytes that arrived."""
        super().data_received(data)
        self._watch_head()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        self._watch_head()

    def pause_writing(self) -> None:
        """Wait for a client that reads nothing, but not for ever."""
        super().pause_writing()
        self._stall_timer = self.loop.call_later(STALL_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Continue to write."""
        self._stop_stall_timer()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._stop_head_timer()
        self._stop_stall_timer()
        super().connection_lost(exc)

    @property
    def is_waiting(self) -> bool:
        """Whether the client still owes a request's head, or the rest of an answered body."""
        state = self.conn.their_state
        return state is h11.IDLE or (
            state is h11.SEND_BODY and self.cycle is not None and self.cycle.response_complete
        )

    def _watch_head(self) -> None:
        if not self.is_waiting:
            self._stop_head_timer()
        elif self._head_timer is None:
            self._head_timer = self.loop.call_later(HEAD_S, self.transport.abort)

    def _stop_head_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _stop_stall_timer(self) -> None:
        if self._stall_timer is not None:
            self._stall_timer.cancel()
            self._stall_timer = None
