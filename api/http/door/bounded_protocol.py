"""HTTP connections with limits on the time for a request's head and for taking a response."""

from __future__ import annotations

import asyncio
import itertools
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.access.auth import LOCAL
from api.access.shares import CONNECTION
from api.http.door.places import Kind, PlaceBook

HEAD_S = 10.0
"""Longest wait for the head of a request, and for the rest of a body after its response, s.

uvicorn itself limits only the silence after a response.
"""

STOP_HEAD_S = 2.0
"""Longest wait for the rest of the head of Stop, s. It fits into one packet."""

STALL_S = 30.0
"""Longest time without a client taking anything of its response, s.

That is longer than a phone's walk through a dead spot. A client that never reads would otherwise
keep its connection for ever.
"""

DRAIN_S = 3.0
"""Longest time for a client to take the rest of a response after the connection was closed, s.

No write timer runs then, and asyncio waits for ever.
"""

numbers = itertools.count()
"""One number for each connection, in the order of their arrival."""


class BoundedProtocol(H11Protocol):
    """One connection that has a place.

    :param kind: what its place is for.
    :param share: its address, as from ``share_of``.
    :param further: the arguments of H11Protocol.
    """

    def __init__(self, book: PlaceBook, kind: Kind, share: str, **further: Any) -> None:
        super().__init__(**further)
        self.number = next(numbers)
        self.kind = kind
        self.share = share
        self._book = book
        self._is_dropped = False
        self._closing_since_s: float | None = None
        self._head_timer: asyncio.TimerHandle | None = None
        self._stall_timer: asyncio.TimerHandle | None = None
        self.app_state = {**self.app_state, CONNECTION: self, LOCAL: kind is Kind.LOCAL}

    # --- events of the connection ---------------------------------------------------------------

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request."""
        super().connection_made(transport)
        if self._is_dropped:
            transport.abort()
            return
        self._watch_head()

    def data_received(self, data: bytes) -> None:
        """Take the bytes that arrived."""
        super().data_received(data)
        if self.kind is Kind.STOP and self.cycle is not None:
            self.cycle.keep_alive = False
        self._watch_head()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        self._watch_head()

    def pause_writing(self) -> None:
        """Wait for a client that reads nothing, but not forever."""
        super().pause_writing()
        self._stall_timer = self.loop.call_later(STALL_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Continue to write."""
        self._stop_stall_timer()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection and free its place."""
        self._book.leave(self)
        self._stop_head_timer()
        self._stop_stall_timer()
        super().connection_lost(exc)
        self.app_state = {}  # which refers to this connection

    # --- its place ------------------------------------------------------------------------------

    @property
    def is_waiting(self) -> bool:
        """Whether the client still owes a request's head, or the rest of an answered body."""
        state = self.conn.their_state
        return state is h11.IDLE or (
            state is h11.SEND_BODY and self.cycle is not None and self.cycle.response_complete
        )

    @property
    def is_idle(self) -> bool:
        """Whether no request of it is being answered."""
        return self.is_waiting or (self.transport is not None and self.transport.is_closing())

    def note_caller(self, *, is_paired: bool) -> None:
        """Note whether the newest request came from a paired device."""
        if self.kind in (Kind.GUEST, Kind.PAIRED):
            self._book.change(self, Kind.PAIRED if is_paired else Kind.GUEST)

    def drop(self) -> None:
        """Close the connection at once."""
        self._is_dropped = True
        if self.transport is not None:
            self.transport.abort()

    def drop_if_undrained(self, now_s: float) -> None:
        """Close the connection at once if it should have been closed long ago.

        :param now_s: time of the event loop, s.
        """
        if self.transport is None or not self.transport.is_closing():
            return
        if self._closing_since_s is None:
            self._closing_since_s = now_s
        elif now_s - self._closing_since_s >= DRAIN_S:
            self.transport.abort()

    # --- timers ---------------------------------------------------------------------------------

    def _watch_head(self) -> None:
        if not self.is_waiting:
            self._stop_head_timer()
        elif self._head_timer is None:
            limit_s = STOP_HEAD_S if self.kind is Kind.STOP else HEAD_S
            self._head_timer = self.loop.call_later(limit_s, self.transport.abort)

    def _stop_head_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _stop_stall_timer(self) -> None:
        if self._stall_timer is not None:
            self._stall_timer.cancel()
            self._stall_timer = None
