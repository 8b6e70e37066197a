"""The OpenAPI document never holds up Stop: it is built once, in a thread, and kept as bytes."""

from __future__ import annotations

import asyncio
import gzip
import threading
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.http.document import DocumentedApi
from tests.kits.api_client import Daemon

DOCUMENT = "/api/openapi.json"


def asked(app: Any, *headers: dict[str, str]) -> list[httpx.Response]:
    """Ask for the document with each of these headers at once."""

    async def story() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench.local") as client:
            return await asyncio.gather(*(client.get(DOCUMENT, headers=one) for one in headers))

    return asyncio.run(story())


def test_document_is_built_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forty ask at once. One thread, not that of the event loop, builds it once."""
    threads: list[int] = []
    build = DocumentedApi.openapi

    def noted(app: DocumentedApi) -> dict[str, Any]:
        threads.append(threading.get_ident())
        return build(app)

    monkeypatch.setattr(DocumentedApi, "openapi", noted)
    daemon = Daemon(tmp_path)
    answers = asked(daemon.app, *[{}] * 40)
    answers += asked(daemon.app, {})
    assert len(threads) == 1
    assert threads[0] != threading.get_ident()
    assert {answer.content for answer in answers} == {answers[0].content}
    assert answers[0].json()["info"]["title"] == "biteclock"


def test_document_is_compressed(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    plain, packed = asked(
        daemon.app, {"accept-encoding": "identity"}, {"accept-encoding": "br, gzip"}
    )
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert packed.headers["vary"] == plain.headers["vary"] == "Accept-Encoding"
    assert packed.content == plain.content, "the client has unpacked it"
    assert int(packed.headers["content-length"]) < len(plain.content) / 5
    assert len(gzip.compress(plain.content)) == int(packed.headers["content-length"])
