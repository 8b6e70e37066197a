"""Bounds what a request may send."""

from __future__ import annotations

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 64_000
"""Largest body, bytes: the longest growth curve of a plan takes about 40 000."""


class BodyLimit:
    """Refuses a body that is too large once somebody reads it, declared or sent in chunks.

    A route that does not read its body, such as Stop, is not touched by it.

    :param max_bytes: largest body.
    """

    def __init__(self, app: ASGIApp, max_bytes: int = MAX_BODY_BYTES) -> None:
        self._app = app
        self._max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, counting. Raises: HTTPException 413 in the middle of reading."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        declared, taken = _declared_bytes(scope), 0

        async def counted() -> Message:
            nonlocal taken
            if declared > self._max_bytes:
                raise self._too_large(declared)
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._max_bytes:
                raise self._too_large(taken)
            return message

        await self._app(scope, counted, send)

    def _too_large(self, size_bytes: int) -> HTTPException:
        return HTTPException(
            413, f"the body has {size_bytes} bytes or more, at most {self._max_bytes} bytes are taken: send less"
        )


def _declared_bytes(scope: Scope) -> int:
    """Return the declared length in bytes, 0 when there is none or when it is no number (the server refuses that)."""
    declared = next((value for name, value in scope["headers"] if name == b"content-length"), b"0")
    return int(declared[:18]) if declared.isdigit() else 0
