"""The web server: it answers without delay and ends at once, even with open streams."""

from __future__ import annotations

import logging
import socket

import uvicorn
from fastapi import FastAPI
from starlette.requests import HTTPConnection, Request

from api.access.auth import Access
from api.http.door.bounded_protocol import BoundedProtocol
from api.http.door.door import Door, Headers
from api.http.door.log_throttle import LogThrottle
from api.http.door.places import Kind, PlaceBook, Places
from api.http.door.spare import OTHER_DESCRIPTORS, raise_descriptor_limit
from api.http.live import LiveFeed
from api.http.problem_kinds import TOO_BUSY
from api.http.problems import problem_response
from controller.texts import Message

GRACE_S = 1
"""Longest time that the shutdown waits for unfinished responses, s. Live streams end at once."""

PLACES = Places()

THROTTLED = ("biteclock", "uvicorn.error", "asyncio")
"""Loggers whose lines anybody on the network can provoke."""


class WebServer(uvicorn.Server):
    """Runs in any thread with its listening sockets. Set ``should_exit`` to end it.

    It does not trust X-Forwarded-For, which anybody can send. uvicorn's own limit on concurrency is
    off, because it would refuse Stop as well. The door, BoundedProtocol and LoadGuard have limits
    instead.

    :param places: most connections of each kind. Fewer descriptors than that reduce them.
    """

    def __init__(self, app: FastAPI, places: Places = PLACES) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                http=BoundedProtocol,
                proxy_headers=False,
                log_level="warning",
                access_log=False,
                timeout_graceful_shutdown=GRACE_S,
                lifespan="on",
                ws="none",
                server_header=False,
            )
        )
        self._live: LiveFeed = app.state.live
        self._access: Access = app.state.access
        self.book = PlaceBook(places.within(raise_descriptor_limit() - OTHER_DESCRIPTORS))
        self._door = Door(self.book, self._protocol, self._is_paired, _full_response())

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start as uvicorn does, but let the door accept the connections."""
        await super().startup([])
        self._door.open(sockets or [])

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the live streams, for which uvicorn would wait, then shut down as it does."""
        self._live.end()
        self._door.close()
        await super().shutdown(sockets)

    def _protocol(self, kind: Kind, share: str) -> BoundedProtocol:
        return BoundedProtocol(
            self.book,
            kind,
            share,
            config=self.config,
            server_state=self.server_state,
            app_state=self.lifespan.state,
        )

    def _is_paired(self, headers: Headers, host: str) -> bool:
        scope = {"type": "http", "headers": headers, "client": (host, 0)}
        return self._access.caller(HTTPConnection(scope)) is not None


def _full_response() -> bytes:
    """Return the whole response to a guest for whom there is no place."""
    request = Request({"type": "http", "method": "GET", "path": "/", "headers": []})
    answer = problem_response(
        request,
        TOO_BUSY,
        Message("http.door.full"),
        headers={"Connection": "close", "Cache-Control": "no-store"},
    )
    head = b"".join(name + b": " + value + b"\r\n" for name, value in answer.raw_headers)
    return b"HTTP/1.1 503 Service Unavailable\r\n" + head + b"\r\n" + bytes(answer.body)


def throttle_logs() -> None:
    """Keep the logs of this process readable under attack. Call it once, when the daemon starts."""
    for name in THROTTLED:
        LogThrottle.put_on(logging.getLogger(name))
