"""Bounds what a request may send, and for how long."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send


@dataclass(frozen=True, slots=True)
class Bounds:
    """Largest body, and the time from the first look at it to its end, s."""

    max_bytes: int
    within_s: float


PLAIN_BOUNDS = Bounds(96_000, 10.0)
"""The longest plan request takes about 70 000 bytes: 1000 pairs of a growth curve and 200 narrow
lines. At 10 kB/s that is 7 s."""


class BodyLimit:
    """Refuses a body that is too large or too slow once somebody reads it, declared or sent in chunks.

    A route that does not read its body, such as Stop, is not touched by it.

    :param bounds: of all bodies but the ones below.
    :param others: path -> bounds of what is sent there.
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
        """Pass a request on, counting. Raises: HTTPException 408 or 413 in the middle of reading."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        bounds = self._others.get(scope["path"], self._bounds)
        taken = 0
        deadline_s: float | None = None
        is_whole = False

        async def counted() -> Message:
            nonlocal taken, deadline_s, is_whole
            if is_whole:  # what comes now is the end of the connection, and that may take its time
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
                    f"the body did not end within {bounds.within_s:g} s, {taken} bytes of it came: send it again",
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
        f"the body has {size_bytes} bytes or more, at most {bounds.max_bytes} bytes are taken: send less",
    )


def _declared_bytes(scope: Scope) -> int:
    """Return the declared length in bytes, 0 when there is none or when it is no number (the server refuses that)."""
    declared = next((value for name, value in scope["headers"] if name == b"content-length"), b"0")
    return int(declared[:18]) if declared.isdigit() else 0
