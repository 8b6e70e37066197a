"""The web server: it answers without delay and ends at once, even with open streams."""

from __future__ import annotations

import socket

import uvicorn
from fastapi import FastAPI

from api.http.bounded_protocol import BoundedProtocol
from api.http.live import LiveFeed

GRACE_S = 1
"""Longest time that the shutdown waits for unfinished responses, s. Live streams end at once."""


class WebServer(uvicorn.Server):
    """Runs in any thread with its listening sockets. Set ``should_exit`` to end it.

    It does not trust X-Forwarded-For, which anybody can send. uvicorn's own limit on concurrency is
    off, because it would refuse Stop as well. LoadGuard and BoundedProtocol have limits instead.
    """

    def __init__(self, app: FastAPI) -> None:
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

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Set TCP_NODELAY, then start as uvicorn does.

        asyncio sets it only on sockets that were created with the protocol number of TCP. Without
        it Nagle's algorithm and delayed acknowledgement cost 40 ms a response. On Linux each
        accepted connection inherits the option.
        """
        for listener in sockets or ():
            if listener.family != socket.AF_UNIX:
                listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        await super().startup(sockets)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the live streams, for which uvicorn would wait, then shut down as it does."""
        self._live.end()
        await super().shutdown(sockets)
