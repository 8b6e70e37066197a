"""Starts one request in each pass of the event loop, so that Stop never waits for hundreds."""

from __future__ import annotations

import asyncio
from collections import deque

A_PASS = 1
"""Most requests started in one pass. Each takes a few ms, and Stop waits for about five passes."""


class Pace:
    """The turns of requests. Paired devices come first. It belongs to the server's event loop.

    Requests of one kind get their turns in the order of arrival. A connection has one at a time.
    """

    def __init__(self, a_pass: int = A_PASS) -> None:
        self._a_pass = a_pass
        self._left = a_pass
        self._is_armed = False
        self._paired: deque[asyncio.Future[None]] = deque()
        self._guests: deque[asyncio.Future[None]] = deque()

    async def turn(self, *, is_paired: bool) -> None:
        """Wait for a turn."""
        loop = asyncio.get_running_loop()
        if not self._is_armed:
            self._is_armed = True
            loop.call_soon(self._next_pass, loop)
        if self._left > 0:
            self._left -= 1
            return
        turn = loop.create_future()
        (self._paired if is_paired else self._guests).append(turn)
        await turn

    def _next_pass(self, loop: asyncio.AbstractEventLoop) -> None:
        has_had_turns = self._left < self._a_pass
        self._left = self._a_pass
        for row in (self._paired, self._guests):
            while row and self._left > 0:
                turn = row.popleft()
                if not turn.done():
                    turn.set_result(None)
                    self._left -= 1
        self._is_armed = has_had_turns or self._left < self._a_pass
        if self._is_armed:
            loop.call_soon(self._next_pass, loop)
