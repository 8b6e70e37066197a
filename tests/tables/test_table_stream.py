"""Long tables come in chunks, each made after the one before is sent.

Half a table never looks whole.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.types import Message

from api.http.context import Lane
from api.http.tables.table_pieces import SAMPLES, json_pieces, table_pieces
from api.http.tables.table_stream import table_response
from controller.logbook.entries import RawSample
from controller.logbook.reader import LogbookReader, LogbookUnreadableError, MeanSample
from tests.kits.api_client import Daemon
from tests.kits.logbook_kit import ManualLogbook, mean

SECONDS = 3000
CHUNK_ROWS = 500


def rows(start: int, count: int) -> list[MeanSample]:
    return [
        MeanSample(second, second + 0.97, 3.0, 2.5, 3.0 * second, None, None)
        for second in range(start, start + count)
    ]


class Book:
    """Chunks of rows, and how many of them were made so far."""

    def __init__(self, chunks: int, fails_at: int | None = None) -> None:
        self.made = 0
        self._chunks = chunks
        self._fails_at = fails_at

    def samples(self, _run_id: str) -> Iterator[Sequence[MeanSample]]:
        for index in range(self._chunks):
            if index == self._fails_at:
                raise LogbookUnreadableError("the disk failed")
            self.made += 1
            yield rows(index * CHUNK_ROWS, CHUNK_ROWS)


def test_json_is_one_document() -> None:
    reported = json.loads("".join(json_pieces('r"1', "samples", [rows(0, 2), [], rows(2, 1)])))
    assert reported["run_id"] == 'r"1'
    assert [row["elapsed_s"] for row in reported["samples"]] == [0, 1, 2]
    assert reported["samples"][0]["depth_mm"] is None
    assert json.loads("".join(json_pieces("r1", "samples", []))) == {"run_id": "r1", "samples": []}


def test_nan_is_never_sent() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        list(json_pieces("r1", "samples", [[RawSample(0.0, float("nan"), 0.0, False, True)]]))


@pytest.mark.parametrize("kind", ["json", "csv"])
def test_chunks_on_demand(kind: Any) -> None:
    book = Book(chunks=6)
    made_when_sent: list[int] = []
    sizes: list[int] = []

    async def story() -> None:
        async def send(message: Message) -> None:
            if message["type"] == "http.response.body" and message["body"]:
                made_when_sent.append(book.made)
                sizes.append(len(message["body"]))

        async def receive() -> Message:
            await asyncio.Event().wait()
            raise AssertionError("nobody leaves")

        pieces = table_pieces(SAMPLES, kind, book, "r1")  # type: ignore[arg-type]
        response = table_response(Lane(1), kind, "r1", "samples", pieces)
        await response({"type": "http", "asgi": {"spec_version": "2.3"}}, receive, send)

    asyncio.run(story())
    assert made_when_sent[:7] == [0, 1, 2, 3, 4, 5, 6]
    assert max(sizes) < 100_000


def test_plain_file_name() -> None:
    response = table_response(Lane(1), "csv", '../r"1\r\n\u00fc', "samples", iter(()))
    assert (
        response.headers["content-disposition"] == 'attachment; filename="biteclock-r1-samples.csv"'
    )
    assert response.headers["content-type"] == "text/csv; charset=utf-8; header=present"


def test_long_run_is_chunked(tmp_path: Path) -> None:
    """RFC 9112 section 7.1. Both forms hold every second."""
    kept = ManualLogbook(tmp_path / "book.sqlite")
    kept.begin()
    kept.write(*(mean(second) for second in range(SECONDS)))
    daemon = Daemon(tmp_path / "elsewhere", book=LogbookReader(kept.path))
    with daemon.served() as client:
        for kind in ("json", "csv"):
            with client.stream("GET", f"/api/runs/r1/samples?format={kind}") as answer:
                assert answer.status_code == 200
                assert answer.headers["transfer-encoding"] == "chunked"
                assert "content-length" not in answer.headers
                answer.read()
            if kind == "json":
                assert [row["elapsed_s"] for row in answer.json()["samples"]] == list(
                    range(SECONDS)
                )
            else:
                assert answer.text.count("\r\n") == SECONDS + 1
    daemon.close()
    kept.logbook.finish()


@pytest.mark.parametrize("kind", ["json", "csv"])
def test_error_closes_connection(tmp_path: Path, kind: str) -> None:
    daemon = Daemon(tmp_path, book=Book(chunks=3, fails_at=2))
    with daemon.served() as client, pytest.raises(httpx.RemoteProtocolError):
        client.get(f"/api/runs/r1/samples?format={kind}")
    daemon.close()
