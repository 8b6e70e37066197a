"""Live status by server-sent events, encoded once for all streams. Slow readers miss some."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Annotated

from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from api.access.auth import CALLER
from api.access.shares import ShareLimits, Shares, guest_share
from api.http.models.base import NO_UNIT, Answer, described
from api.http.models.status import Status
from api.http.problem_kinds import TOO_MANY_STREAMS
from api.http.problems import ProblemError
from controller.errors import LoopNotAliveError
from controller.texts import text

PERIOD_S = 0.25
"""Shortest time between two messages, s: a person reads no faster."""

HEARTBEAT_S = 2.0
"""Longest time without a message, s. The page greys out after 3."""

RETRY_MS = 1000
"""Time after which a browser connects again, ms."""

STREAMS = ShareLimits(guests=200, per_address=25, paired=50)
"""Most open streams. Each costs a socket and one message of memory besides its buffers.

A browser opens one for each page. Several devices behind one router may share an address.
"""

_log = logging.getLogger("biteclock")


class Heartbeat(Answer):
    """Sent when there is no newer status.

    While ``loop_alive`` is false, the numbers of the last status are not live.
    """

    loop_alive: Annotated[bool, described("Whether the control loop is alive.", NO_UNIT, True)]
    message: Annotated[
        str | None,
        described(
            "What is wrong and what to do.", NO_UNIT, "the control loop has been silent for 4.2 s"
        ),
    ]


class LiveFeed:
    """The newest message, and the streams that wait for the next one.

    It belongs to the server's event loop. Only ``end`` may be called from any thread.

    :param status: returns the newest status. Raises: LoopNotAliveError.
    """

    def __init__(
        self,
        status: Callable[[], Status],
        *,
        period_s: float = PERIOD_S,
        heartbeat_s: float = HEARTBEAT_S,
        streams: ShareLimits = STREAMS,
    ) -> None:
        self._status = status
        self._period_s = period_s
        self._quiet_looks = round(heartbeat_s / period_s)
        self._places = Shares(streams)
        self._looks_left = 0
        self._sequence: int | None = None
        self._was_alive = True
        self._message = b""
        self._number = 0
        self._next = asyncio.Event()
        self._ended = asyncio.Event()
        self._is_ending = False
        self._loop: asyncio.AbstractEventLoop | None = None

    # --- messages -------------------------------------------------------------------------------

    def look(self) -> bytes | None:
        """Return the message that is due now, or None. Call it once a period."""
        self._looks_left -= 1
        try:
            status = self._status()
        except LoopNotAliveError as error:
            has_just_failed, self._was_alive = self._was_alive, False
            return self._heartbeat(str(error)) if has_just_failed or self._looks_left <= 0 else None
        if status.sequence != self._sequence or not self._was_alive:
            self._sequence, self._was_alive = status.sequence, True
            self._looks_left = self._quiet_looks
            return _status_message(status)
        return self._heartbeat(None) if self._looks_left <= 0 else None

    def greeting(self) -> bytes:
        """Return the first message of a new stream: the status now."""
        retry = f"retry: {RETRY_MS}\n".encode()
        try:
            return retry + _status_message(self._status())
        except LoopNotAliveError as error:
            return retry + _heartbeat_message(str(error))

    def _heartbeat(self, fault: str | None) -> bytes:
        self._looks_left = self._quiet_looks
        return _heartbeat_message(fault)

    # --- streams --------------------------------------------------------------------------------

    async def run(self) -> None:
        """Look once a period and wake the streams, until ``end``."""
        self._loop = asyncio.get_running_loop()
        has_failed = False
        while not self._is_ending:
            try:
                message = self.look()
            except Exception:
                message = None
                if not has_failed:
                    _log.exception(text("http.request.live_status_failed"))
                has_failed = True
            if message is not None:
                self._publish(message)
            await self.pause(self._period_s)
        self._ended.set()
        self._next.set()

    def end(self) -> None:
        """End all streams soon. Any thread may call it, before the server shuts down."""
        self._is_ending = True
        if self._loop is not None:
            with suppress(RuntimeError):  # the loop is closed already, and its streams with it
                self._loop.call_soon_threadsafe(self._ended.set)

    @property
    def is_ending(self) -> bool:
        """Whether ``end`` was called."""
        return self._is_ending

    async def pause(self, seconds: float) -> None:
        """Wait that long, or until the end."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._ended.wait()

    def _publish(self, message: bytes) -> None:
        self._message = message
        self._number += 1
        waited, self._next = self._next, asyncio.Event()
        waited.set()

    async def messages(self, may_go_on: Callable[[], bool] = lambda: True) -> AsyncGenerator[bytes]:
        """Return the greeting, then each new message. A slow reader misses some.

        :param may_go_on: returns whether the reader may still look. Called before each message.
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

    @property
    def streams(self) -> int:
        """Streams that are open."""
        return self._places.taken

    @contextmanager
    def place(self, share: str | None = None) -> Iterator[None]:
        """Hold one of the streams. Raises: ProblemError when those of the share are taken.

        :param share: as from ``guest_share``.
        """
        if not self._places.take(share):
            open_streams, most_streams = self._places.used_and_most(share)
            raise ProblemError(
                TOO_MANY_STREAMS,
                "http.request.too_many_streams",
                open_streams=open_streams,
                most_streams=most_streams,
            )
        try:
            yield
        finally:
            self._places.give_back(share)


class LiveResponse(StreamingResponse):
    """One stream. Its place is free again however it ends."""

    media_type = "text/event-stream"

    def __init__(self, feed: LiveFeed, may_go_on: Callable[[], bool] = lambda: True) -> None:
        super().__init__(
            feed.messages(may_go_on),
            headers={"Cache-Control": "no-cache", "X-Accel-Buffering": "no"},
        )
        self._feed = feed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Stream until the client leaves or the feed ends.

        Raises: ProblemError before anything is sent.
        """
        with self._feed.place(guest_share(scope, is_paired=CALLER in scope)):
            await super().__call__(scope, receive, send)


def _status_message(status: Status) -> bytes:
    return f"id: {status.sequence}\ndata: {status.model_dump_json()}\n\n".encode()


def _heartbeat_message(fault: str | None) -> bytes:
    heartbeat = Heartbeat(loop_alive=fault is None, message=fault)
    return f"event: heartbeat\ndata: {heartbeat.model_dump_json()}\n\n".encode()
