"""A body is bounded, declared or sent in pieces; nobody who does not read it is disturbed."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from fastapi import HTTPException
from starlette.types import Message, Receive, Scope, Send

from api.body_limit import MAX_BODY_BYTES, BodyLimit
from tests.api_client import Daemon, ask, assert_problem


def read_all(pieces: list[bytes], declared: bytes | None, limit_bytes: int = 10) -> tuple[bytes, int]:
    """Return what an application reads through the limit, and how many pieces were fetched for it."""
    got, fetched = [], 0

    async def app(_scope: Scope, receive: Receive, _send: Send) -> None:
        while True:
            message = await receive()
            got.append(message["body"])
            if not message["more_body"]:
                return

    async def receive() -> Message:
        nonlocal fetched
        fetched += 1
        return {"type": "http.request", "body": pieces[fetched - 1], "more_body": fetched < len(pieces)}

    async def send(_message: Message) -> None:
        raise AssertionError("nothing is sent here")

    headers = [] if declared is None else [(b"content-length", declared)]
    asyncio.run(BodyLimit(app, limit_bytes)({"type": "http", "headers": headers}, receive, send))
    return b"".join(got), fetched


def test_a_body_up_to_the_limit_passes() -> None:
    assert read_all([b"01234", b"56789"], b"10") == (b"0123456789", 2)
    assert read_all([b"01234", b"56789"], None) == (b"0123456789", 2)


@pytest.mark.parametrize("declared", [b"11", b"9" * 5000])
def test_a_declared_body_is_refused_before_it_is_read(declared: bytes) -> None:
    with pytest.raises(HTTPException, match="at most 10 bytes") as caught:
        read_all([], declared)
    assert caught.value.status_code == 413


@pytest.mark.parametrize("declared", [None, b"5", b"no number"])
def test_a_body_in_pieces_is_refused_when_it_grows_beyond(declared: bytes | None) -> None:
    with pytest.raises(HTTPException, match="11 bytes"):
        read_all([b"01234", b"567890", b"never asked for"], declared)


def test_what_is_no_request_passes_untouched() -> None:
    seen: list[str] = []

    async def app(scope: Scope, _receive: Receive, _send: Send) -> None:
        seen.append(scope["type"])

    asyncio.run(BodyLimit(app)({"type": "lifespan"}, None, None))  # type: ignore[arg-type]
    assert seen == ["lifespan"]


def test_the_application_refuses_a_chunked_flood_and_stop_does_not_care(tmp_path: Path) -> None:
    app = Daemon(tmp_path).app

    async def flood() -> AsyncIterator[bytes]:
        for _ in range(MAX_BODY_BYTES // 1000 + 1):
            yield b" " * 1000

    headers = {"content-type": "application/json"}
    assert_problem(ask(app, "POST", "/api/plan", content=flood(), headers=headers), 413, "too-large")
    assert ask(app, "POST", "/api/stop", content=flood()).status_code == 200
    assert ask(app, "POST", "/api/stop", content=b"x" * (MAX_BODY_BYTES + 1)).status_code == 200
