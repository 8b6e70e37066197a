"""The live feed: what is sent when and to whom, and that no stream is left behind.

Event format: WHATWG HTML, server-sent events.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.access.shares import ShareLimits
from api.http.live import STREAMS, LiveFeed
from api.http.models.status import Status
from api.http.problems import ProblemError
from controller.errors import LoopNotAliveError
from controller.logbook.health import LogbookHealth
from controller.messages import RunState
from tests.kits.api_client import WAIT_S, Daemon, events_of
from tests.running.test_rig_report import idle

HEALTH = LogbookHealth(True, None, None, None, None, 0, None, 0)


class Source:
    """A status that tests change by hand."""

    def __init__(self) -> None:
        self.sequence = 1
        self.silent = False
        self.broken = False

    def __call__(self) -> Status:
        if self.silent:
            raise LoopNotAliveError("silent for 4.0 s")
        if self.broken:
            raise ZeroDivisionError
        return Status.of(idle(sequence=self.sequence), HEALTH, "rehearsal", "1")


def parsed(message: bytes | None) -> dict[str, Any]:
    """Return fields of one event, data as JSON."""
    assert message is not None
    assert message.endswith(b"\n\n")
    fields = dict(line.split(": ", 1) for line in message.decode().strip().split("\n"))
    return {**fields, "data": json.loads(fields["data"])}


def test_snapshot_sent_once() -> None:
    source = Source()
    feed = LiveFeed(source)
    message = parsed(feed.look())
    assert "event" not in message  # the default type, which every browser's onmessage gets
    assert message["id"] == "1"
    assert message["data"]["sequence"] == 1
    assert feed.look() is None
    source.sequence = 5
    assert parsed(feed.look())["id"] == "5"


def test_heartbeat_without_changes() -> None:
    """Without a newer status a heartbeat comes every two seconds."""
    feed = LiveFeed(Source(), period_s=0.25, heartbeat_s=2.0)
    feed.look()
    sent = [index for index in range(1, 25) if feed.look() is not None]
    assert sent == [8, 16, 24]  # 8 looks of 0.25 s


class TimedFeed(LiveFeed):
    """A feed on virtual time that notes when it sends, and ends after a minute.

    :param is_busy: whether each look finds a new status.
    """

    def __init__(self, is_busy: bool) -> None:
        self._source = Source()
        super().__init__(self._source)
        self._is_busy = is_busy
        self._now_s = 0.0
        self.sent_at_s: list[float] = []

    def _publish(self, message: bytes) -> None:
        self.sent_at_s.append(self._now_s)
        super()._publish(message)

    async def pause(self, seconds: float) -> None:
        self._now_s += seconds
        self._source.sequence += self._is_busy
        if self._now_s >= 60.0:
            self.end()

    def intervals_s(self) -> list[float]:
        asyncio.run(self.run())
        return [later - before for before, later in itertools.pairwise(self.sent_at_s)]


def test_status_rate() -> None:
    """A person reads no faster, however much happens."""
    intervals_s = TimedFeed(is_busy=True).intervals_s()
    assert len(intervals_s) > 200
    assert min(intervals_s) == pytest.approx(0.25)


def test_heartbeats_come_in_time() -> None:
    """The page greys out after 3 s."""
    intervals_s = TimedFeed(is_busy=False).intervals_s()
    assert len(intervals_s) > 20
    assert max(intervals_s) <= 2.0


def test_heartbeat_has_no_id() -> None:
    feed = LiveFeed(Source(), period_s=1.0, heartbeat_s=1.0)
    feed.look()
    assert parsed(feed.look()) == {
        "event": "heartbeat",
        "data": {"loop_alive": True, "message": None},
    }


def test_silent_loop_is_reported() -> None:
    """A silent loop is reported at once and again, and so is its return."""
    source = Source()
    feed = LiveFeed(source)
    feed.look()
    source.silent = True
    assert parsed(feed.look())["data"] == {"loop_alive": False, "message": "silent for 4.0 s"}
    assert [index for index in range(1, 17) if feed.look() is not None] == [8, 16]
    assert parsed(feed.greeting())["data"]["loop_alive"] is False
    source.silent = False
    assert parsed(feed.look())["data"]["sequence"] == 1, (
        "the old number is live again, so it is sent again"
    )


def test_first_message() -> None:
    """The greeting sets the browser's retry time and has the status."""
    greeting = parsed(LiveFeed(Source()).greeting())
    assert greeting["retry"] == "1000"
    assert greeting["data"]["state"] == "idle"


def test_slow_reader_skips() -> None:
    """A slow reader gets the newest message and misses those between."""

    async def story() -> list[str]:
        source = Source()
        feed = LiveFeed(source, period_s=0.001)
        feeding = asyncio.create_task(feed.run())
        got = []
        messages = feed.messages()
        await anext(messages)
        for source.sequence in (7, 8, 9):
            while feed._sequence != source.sequence:
                await feed.pause(0.001)
        got.append(parsed(await anext(messages))["id"])
        source.sequence = 12
        got.append(parsed(await anext(messages))["id"])
        feed.end()
        assert [message async for message in messages] == []
        await feeding
        return got

    assert asyncio.run(story()) == ["9", "12"]


def test_streams_share_bytes() -> None:
    async def story() -> tuple[bytes, bytes]:
        source = Source()
        feed = LiveFeed(source, period_s=0.001)
        streams = feed.messages(), feed.messages()
        for stream in streams:
            await anext(stream)
        feeding = asyncio.create_task(feed.run())
        first, second = [await anext(stream) for stream in streams]
        feed.end()
        await feeding
        for stream in streams:
            await stream.aclose()
        return first, second

    first, second = asyncio.run(story())
    assert first is second


def test_status_fault_logged_once(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A fault in the status is logged once, and the feed continues."""

    async def story() -> str:
        source = Source()
        source.broken = True
        feed = LiveFeed(source, period_s=0.001)
        feeding = asyncio.create_task(feed.run())
        await feed.pause(0.02)
        source.broken = False
        messages = feed.messages()
        await anext(messages)
        source.sequence = 3
        message = parsed(await anext(messages))
        feed.end()
        await feeding
        await messages.aclose()
        return str(message["data"]["state"])

    assert asyncio.run(story()) == "idle"
    assert caplog.text.count("The live status failed") == 1


def test_end_before_start() -> None:
    feed = LiveFeed(Source())
    feed.end()
    asyncio.run(asyncio.wait_for(feed.run(), WAIT_S))


def test_end_is_immediate() -> None:
    """The end does not wait for the next look."""

    async def story() -> None:
        feed = LiveFeed(Source(), period_s=600.0)
        feeding = asyncio.create_task(feed.run())
        messages = feed.messages()
        await anext(messages)
        await feed.pause(0.01)  # the feed looks and then waits for its next look
        await asyncio.to_thread(feed.end)
        await asyncio.wait_for(feeding, WAIT_S)
        await messages.aclose()

    asyncio.run(story())


def test_places_are_freed() -> None:
    feed = LiveFeed(Source(), streams=ShareLimits(1, 1, 1))
    with pytest.raises(KeyError), feed.place():
        raise KeyError
    with feed.place():
        assert feed.streams == 1
        with pytest.raises(ProblemError, match="1 live streams"), feed.place():
            pass
        assert feed.streams == 1
    assert feed.streams == 0


# --- through a real server ------------------------------------------------------------------------


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path)
    daemon.step()
    yield daemon
    daemon.close()


def test_status_in_order(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client, client.stream("GET", "/api/events") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-cache"
        sequences = [event["data"]["sequence"] for event in itertools.islice(events_of(answer), 6)]
    assert sequences == sorted(set(sequences))


def test_heartbeat_while_idle(daemon: Daemon) -> None:
    with daemon.served() as client, client.stream("GET", "/api/events") as answer:
        events = events_of(answer)
        assert next(events)["data"]["state"] == "idle"
        heartbeat = next(event for event in events if event["event"] == "heartbeat")
    assert heartbeat["data"]["loop_alive"] is True


def test_stream_reports_silent_loop(daemon: Daemon) -> None:
    with daemon.served() as client, client.stream("GET", "/api/events") as answer:
        events = events_of(answer)
        next(events)
        daemon.heart.now_s += 10.0
        heartbeat = next(
            event
            for event in events
            if event["event"] == "heartbeat" and not event["data"]["loop_alive"]
        )
        assert "silent for 10.0 s" in heartbeat["data"]["message"]


def connected(client: httpx.Client, address: str = "127.0.0.1") -> socket.socket:
    """Open a stream from an address and leave it unread."""
    stream = socket.create_connection(
        (client.base_url.host, client.base_url.port or 0),
        timeout=WAIT_S,
        source_address=(address, 0),
    )
    stream.sendall(b"GET /api/events HTTP/1.1\r\nHost: bench.local\r\n\r\n")
    assert stream.recv(15) == b"HTTP/1.1 200 OK"
    return stream


def test_streams_are_bounded(daemon: Daemon) -> None:
    """Streams are bounded and cleaned up, and never delay Stop."""
    live: LiveFeed = daemon.app.state.live
    with daemon.looping(), daemon.served() as client:
        with ExitStack() as streams:
            for number in range(STREAMS.guests):
                address = f"127.0.1.{1 + number // STREAMS.per_address}"
                streams.enter_context(connected(client, address))
            assert live.streams == STREAMS.guests
            refused = client.get("/api/events")
            assert refused.status_code == 503
            assert refused.json()["type"] == "/problems/too-many-streams"
            assert client.get("/api/status").status_code == 200
            assert client.post("/api/stop").json()["relay_on"] is False
        for _ in range(200):
            if live.streams == 0:
                break
            client.get("/api/status")
        assert live.streams == 0
        assert daemon.board.snapshot is not None
        assert daemon.board.snapshot.state is RunState.IDLE
