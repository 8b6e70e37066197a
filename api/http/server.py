"""The web server around the application: answers without delay, and ends at once though streams are open."""

from __future__ import annotations

import socket

import uvicorn
from fastapi import FastAPI

from api.http.bounded_protocol import BoundedProtocol
from api.http.live import LiveFeed

GRACE_S = 1
"""Longest time that the end waits for answers under way, s. Live streams end at once."""


class BenchServer(uvicorn.Server):
    """Run it in any thread with its listening sockets; set ``should_exit`` to end it.

    No header tells it where a request comes from: X-Forwarded-For is anybody's word. uvicorn's own limit of concurrency is
    left alone, since it would refuse Stop as well: see LoadGuard and BoundedProtocol.
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
        """Send small answers at once, then as uvicorn does.

        asyncio does so only for sockets that were made for TCP by name; others cost 40 ms an answer (Nagle's algorithm
        against delayed acknowledgement). Linux hands the option on to each accepted connection.
        """
        for listener in sockets or ():
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        await super().startup(sockets)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the streams, then as uvicorn does: it would wait for them first."""
        self._live.end()
        await super().shutdown(sockets)
