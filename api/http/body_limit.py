"""Limits the size of a body and the time for it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import HTTPException
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.types import Message as AsgiMessage

from controller.texts import Message


@dataclass(frozen=True, slots=True)
class Bounds:
    """Largest body, and the longest time from the first read to its end, s."""

    max_bytes: int
    within_s: float


PLAIN_BOUNDS = Bounds(96_000, 10.0)
"""The longest plan request takes about 70 000 bytes: 1000 pairs of a growth curve and 200 narrow
lines. At 10 kB/s that is 7 s."""


class BodyLimit:
    """Refuses a body that is too large or too slow, whether its length is declared or not.

    A body is checked when a route reads it. Stop reads none.

    :param bounds: for all paths that are not in ``others``.
    :param others: path -> bounds.
    """

    def __init__(
        self,
        app: ASGIApp,
        bounds: Bounds = PLAIN_BOUNDS,
        others: Mapping[str, Bounds] | None = None,
    ) -> None:
        self._app = app
        self._bounds = bounds
        self._others = others or {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and count its body.

        Raises: HTTPException 408 or 413, while the body is read.
        """
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        bounds = self._others.get(scope["path"], self._bounds)
        taken = 0
        deadline_s: float | None = None
        is_whole = False

        async def counted() -> AsgiMessage:
            nonlocal taken, deadline_s, is_whole
            if is_whole:  # the rest is the end of the connection, which has no deadline
                return await receive()
            if deadline_s is None:
                declared = _declared_bytes(scope)
                if declared > bounds.max_bytes:
                    raise _too_large(declared, bounds)
                deadline_s = asyncio.get_running_loop().time() + bounds.within_s
            try:
                async with asyncio.timeout_at(deadline_s):
                    message = await receive()
            except TimeoutError:
                raise HTTPException(
                    408,
                    Message(
                        "http.request.too_slow",
                        {"limit_s": bounds.within_s, "received_bytes": taken},
                    ),
                ) from None
            taken += len(message.get("body", b""))
            if taken > bounds.max_bytes:
                raise _too_large(taken, bounds)
            is_whole = not message.get("more_body", False)
            return message

        await self._app(scope, counted, send)


def _too_large(size_bytes: int, bounds: Bounds) -> HTTPException:
    return HTTPException(
        413,
        Message(
            "http.request.too_large",
            {"size_bytes": size_bytes, "limit_bytes": bounds.max_bytes},
        ),
    )


def _declared_bytes(scope: Scope) -> int:
    """Return the declared length in bytes, 0 without one or when it is no number.

    The server refuses a length that is no number.
    """
    declared = next((value for name, value in scope["headers"] if name == b"content-length"), b"0")
    return int(declared[:18]) if declared.isdigit() else 0
