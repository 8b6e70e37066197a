"""The server ends at once although streams are open, and a stream ends in the proper way."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from api.http.door.bounded_protocol import BoundedProtocol
from tests.kits.api_client import WAIT_S, Daemon, events_of, serve


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path)
    daemon.step()
    yield daemon
    daemon.close()


def test_end_ignores_open_streams(daemon: Daemon, caplog: pytest.LogCaptureFixture) -> None:
    """uvicorn alone waits for them until its time-out and then cuts them off."""
    caplog.set_level(logging.INFO)
    with httpx.Client(timeout=WAIT_S) as client:
        with serve(daemon.app) as address:
            answer = client.send(client.build_request("GET", f"{address}/api/events"), stream=True)
            events = events_of(answer)
            assert next(events)["data"]["state"] == "idle"
        assert [
            event["event"] for event in events if event["event"] != "heartbeat"
        ] == []  # the last chunk came, too
        answer.close()
    assert "timeout graceful shutdown exceeded" not in caplog.text
    assert daemon.app.state.live.streams == 0


def test_streams_end_alone(daemon: Daemon) -> None:
    """Any thread may end the streams, and the rest continues."""
    with daemon.served() as client, client.stream("GET", "/api/events") as answer:
        events = events_of(answer)
        next(events)
        daemon.app.state.live.end()
        assert [event for event in events if event["event"] != "heartbeat"] == []
        assert client.get("/api/status").status_code == 200
        assert client.post("/api/stop").status_code == 200


def test_no_delay(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer goes out as head and body: without TCP_NODELAY it took 44 ms, with it 1 ms."""
    options: list[int] = []
    made = BoundedProtocol.connection_made

    def look(protocol: BoundedProtocol, transport: asyncio.Transport) -> None:
        connection = transport.get_extra_info("socket")
        options.append(connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
        made(protocol, transport)

    monkeypatch.setattr(BoundedProtocol, "connection_made", look)
    with daemon.served() as client:
        assert client.post("/api/stop").status_code == 200
    assert options == [1]
