"""Live status for many at once by server-sent events: encoded once, the same bytes to all, the newest only."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Annotated

from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from api.http.models.base import NO_UNIT, Answer, said
from api.http.models.status import Status
from api.http.problem_kinds import TOO_MANY_STREAMS
from api.http.problems import ProblemError
from controller.errors import LoopNotAliveError

PERIOD_S = 0.25
"""Shortest time between two messages, s: a person reads no faster."""

HEARTBEAT_S = 2.0
"""Longest time without a message, s: the page greys out after 3."""

RETRY_MS = 1000
"""Time after which a browser connects again, ms."""

MAX_STREAMS = 250
"""Streams that may be open at once. Each costs a socket and at most one message of memory besides its buffers."""

_log = logging.getLogger("biteclock")


class Heartbeat(Answer):
    """Sent when there is no newer status. Numbers shown are not live while ``loop_alive`` is false."""

    loop_alive: Annotated[bool, said("Whether the control loop is alive.", NO_UNIT, True)]
    message: Annotated[
        str | None,
        said(
            "What is wrong and what to do.", NO_UNIT, "the control loop has been silent for 4.2 s"
        ),
    ]


class LiveFeed:
    """The newest message and those who wait for the next one.

    All of it belongs to the server's event loop, but for ``end``, which any thread may call.

    :param status: returns the newest status. Raises: LoopNotAliveError.
    """

    def __init__(
        self,
        status: Callable[[], Status],
        *,
        period_s: float = PERIOD_S,
        heartbeat_s: float = HEARTBEAT_S,
        max_streams: int = MAX_STREAMS,
    ) -> None:
        self._status = status
        self._period_s = period_s
        self._quiet_looks = round(heartbeat_s / period_s)
        self._max_streams = max_streams
        self._looks_left = 0
        self._sequence: int | None = None
        self._was_alive = True
        self._message = b""
        self._number = 0
        self._next = asyncio.Event()
        self._ended = asyncio.Event()
        self._is_ending = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self.streams = 0

    # --- what is sent -----------------------------------------------------------------------------------------------

    def look(self) -> bytes | None:
        """Return the message that is due now, or None. Call it once each period."""
        self._looks_left -= 1
        try:
            status = self._status()
        except LoopNotAliveError as error:
            is_news, self._was_alive = self._was_alive, False
            return self._heartbeat(str(error)) if is_news or self._looks_left <= 0 else None
        if status.sequence != self._sequence or not self._was_alive:
            self._sequence, self._was_alive = status.sequence, True
            self._looks_left = self._quiet_looks
            return _status_message(status)
        return self._heartbeat(None) if self._looks_left <= 0 else None

    def greeting(self) -> bytes:
        """Return what a new stream gets first: how things stand now."""
        retry = f"retry: {RETRY_MS}\n".encode()
        try:
            return retry + _status_message(self._status())
        except LoopNotAliveError as error:
            return retry + _heartbeat_message(str(error))

    def _heartbeat(self, trouble: str | None) -> bytes:
        self._looks_left = self._quiet_looks
        return _heartbeat_message(trouble)

    # --- the shell around it ----------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Look each period and wake those who wait, until ``end``."""
        self._loop = asyncio.get_running_loop()
        has_failed = False
        while not self._is_ending:
            try:
                message = self.look()
            except Exception:
                message = None
                if not has_failed:
                    _log.exception(
                        "the live status failed; pages see it as silence, the bench is not touched by it"
                    )
                has_failed = True
            if message is not None:
                self._tell(message)
            await self.pause(self._period_s)
        self._ended.set()
        self._next.set()

    def end(self) -> None:
        """End all streams soon. From any thread; before the server is told to end, or it would wait for them."""
        self._is_ending = True
        if self._loop is not None:
            with suppress(RuntimeError):  # the loop is closed already: nobody is left to tell
                self._loop.call_soon_threadsafe(self._ended.set)

    @property
    def is_ending(self) -> bool:
        """Whether the end was asked for."""
        return self._is_ending

    async def pause(self, seconds: float) -> None:
        """Wait that long, or until the end."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._ended.wait()

    def _tell(self, message: bytes) -> None:
        self._message = message
        self._number += 1
        waited, self._next = self._next, asyncio.Event()
        waited.set()

    async def messages(self, may_go_on: Callable[[], bool] = lambda: True) -> AsyncGenerator[bytes]:
        """Return the greeting, then each new message. A reader that is slow gets the newest and misses those between.

        :param may_go_on: asked before each message: whether its reader may still look.
        """
        seen = self._number
        yield self.greeting()
        while not self._is_ending:
            if self._number == seen:
                await self._next.wait()
                continue
            if not may_go_on():
                return
            seen = self._number
            yield self._message

    @contextmanager
    def seat(self) -> Iterator[None]:
        """Hold one of the places. Raises: ProblemError when all are taken."""
        if self.streams >= self._max_streams:
            raise ProblemError(
                TOO_MANY_STREAMS,
                f"{self.streams} live streams are open, at most {self._max_streams} may be: close other pages",
            )
        self.streams += 1
        try:
            yield
        finally:
            self.streams -= 1


class LiveResponse(StreamingResponse):
    """One stream. Its seat is given back however it ends."""

    media_type = "text/event-stream"

    def __init__(self, feed: LiveFeed, may_go_on: Callable[[], bool] = lambda: True) -> None:
        super().__init__(
            feed.messages(may_go_on),
            headers={"Cache-Control": "no-cache", "X-Accel-Buffering": "no"},
        )
        self._feed = feed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Stream until the client leaves or the feed ends. Raises: ProblemError before anything is sent."""
        with self._feed.seat():
            await super().__call__(scope, receive, send)


def _status_message(status: Status) -> bytes:
    return f"id: {status.sequence}\ndata: {status.model_dump_json()}\n\n".encode()


def _heartbeat_message(trouble: str | None) -> bytes:
    heartbeat = Heartbeat(loop_alive=trouble is None, message=trouble)
    return f"event: heartbeat\ndata: {heartbeat.model_dump_json()}\n\n".encode()
