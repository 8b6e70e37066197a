"""A body is bounded, declared or sent in pieces; nobody who does not read it is disturbed."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from fastapi import HTTPException
from starlette.types import Message as AsgiMessage
from starlette.types import Receive, Scope, Send

from api.http.body_limit import PLAIN_BOUNDS, BodyLimit, Bounds
from controller.texts import Message
from tests.kits.api_client import Daemon, ask, assert_problem


def read_all(
    pieces: list[bytes], declared: bytes | None, limit_bytes: int = 10
) -> tuple[bytes, int]:
    """Return what an application reads through the limit, and the number of pieces fetched."""
    got, fetched = [], 0

    async def app(_scope: Scope, receive: Receive, _send: Send) -> None:
        while True:
            message = await receive()
            got.append(message["body"])
            if not message["more_body"]:
                return

    async def receive() -> AsgiMessage:
        nonlocal fetched
        fetched += 1
        return {
            "type": "http.request",
            "body": pieces[fetched - 1],
            "more_body": fetched < len(pieces),
        }

    async def send(_message: AsgiMessage) -> None:
        raise AssertionError("nothing is sent here")

    headers = [] if declared is None else [(b"content-length", declared)]
    scope = {"type": "http", "path": "/x", "headers": headers}
    asyncio.run(BodyLimit(app, Bounds(limit_bytes, 5.0))(scope, receive, send))
    return b"".join(got), fetched


def test_body_at_limit_passes() -> None:
    assert read_all([b"01234", b"56789"], b"10") == (b"0123456789", 2)
    assert read_all([b"01234", b"56789"], None) == (b"0123456789", 2)


@pytest.mark.parametrize("declared", [b"11", b"9" * 5000])
def test_declared_body_is_refused(declared: bytes) -> None:
    """A body with too large a declared length is refused before it is read."""
    with pytest.raises(HTTPException, match="At most 10 bytes") as caught:
        read_all([], declared)
    assert caught.value.status_code == 413


@pytest.mark.parametrize("declared", [None, b"5", b"no number"])
def test_growing_body_is_refused(declared: bytes | None) -> None:
    with pytest.raises(HTTPException, match="11 bytes"):
        read_all([b"01234", b"567890", b"never asked for"], declared)


def read_slowly(pieces: list[bytes], within_s: float) -> list[bytes]:
    """Return what an application reads from a client that falls silent after the pieces.

    At the end it waits once more.
    """
    got: list[bytes] = []

    async def app(_scope: Scope, receive: Receive, _send: Send) -> None:
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            got.append(message["body"])

    waiting = list(pieces)

    async def receive() -> AsgiMessage:
        if waiting:
            piece = waiting.pop(0)
            return {"type": "http.request", "body": piece, "more_body": not piece.endswith(b".")}
        if got and got[-1].endswith(b"."):
            await asyncio.wait([asyncio.get_running_loop().create_future()], timeout=3 * within_s)
            return {"type": "http.disconnect"}
        await asyncio.get_running_loop().create_future()
        raise AssertionError("never")

    async def send(_message: AsgiMessage) -> None:
        raise AssertionError("nothing is sent here")

    scope = {"type": "http", "path": "/x", "headers": []}
    asyncio.run(BodyLimit(app, Bounds(100, within_s))(scope, receive, send))
    return got


@pytest.mark.parametrize("pieces", [[], [b"a"], [b"a", b"b"]])
def test_slow_body_is_refused(pieces: list[bytes]) -> None:
    with pytest.raises(HTTPException) as caught:
        read_slowly(pieces, 0.05)
    assert caught.value.status_code == 408
    assert caught.value.detail == Message(
        "http.request.too_slow", {"limit_s": 0.05, "received_bytes": len(pieces)}
    )


def test_no_deadline_after_body() -> None:
    """After the end of its body a connection has no deadline."""
    assert read_slowly([b"a", b"b."], 0.05) == [b"a", b"b."]


def test_bounds_per_path() -> None:
    async def app(_scope: Scope, receive: Receive, _send: Send) -> None:
        await receive()

    async def receive() -> AsgiMessage:
        return {"type": "http.request", "body": b"x" * 50, "more_body": False}

    limit = BodyLimit(app, Bounds(10, 1.0), {"/large": Bounds(50, 1.0)})
    scope = {"type": "http", "headers": []}
    asyncio.run(limit({**scope, "path": "/large"}, receive, None))  # type: ignore[arg-type]
    with pytest.raises(HTTPException, match="At most 10 bytes"):
        asyncio.run(limit({**scope, "path": "/large/x"}, receive, None))  # type: ignore[arg-type]


def test_other_scopes_pass() -> None:
    seen: list[str] = []

    async def app(scope: Scope, _receive: Receive, _send: Send) -> None:
        seen.append(scope["type"])

    asyncio.run(BodyLimit(app)({"type": "lifespan"}, None, None))  # type: ignore[arg-type]
    assert seen == ["lifespan"]


def test_chunked_flood_is_refused(tmp_path: Path) -> None:
    """The application refuses a chunked flood, and Stop works meanwhile."""
    app = Daemon(tmp_path).app

    async def flood() -> AsyncIterator[bytes]:
        for _ in range(PLAIN_BOUNDS.max_bytes // 1000 + 1):
            yield b" " * 1000

    headers = {"content-type": "application/json"}
    assert_problem(
        ask(app, "POST", "/api/plan", content=flood(), headers=headers), 413, "too-large"
    )
    assert ask(app, "POST", "/api/stop", content=flood()).status_code == 200
    assert (
        ask(app, "POST", "/api/stop", content=b"x" * (PLAIN_BOUNDS.max_bytes + 1)).status_code
        == 200
    )
