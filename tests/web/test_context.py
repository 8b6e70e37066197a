"""A lane limits the calls of a kind in threads, and all lanes together leave the pool room."""

from __future__ import annotations

import asyncio
import threading

import pytest

from api.http.context import AppContext, Lane
from api.http.guards.base import IS_GUEST
from tests.kits.api_client import WAIT_S

POOL = 40
"""Threads that the framework keeps for blocking calls. Source: anyio, to_thread's default limit."""


class Gauge:
    """Counts the calls that are inside at once."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.inside = self.most = 0
        self.go = threading.Event()

    def call(self, value: int) -> int:
        with self.lock:
            self.inside += 1
            self.most = max(self.most, self.inside)
            if self.inside == 2:
                self.go.set()
        assert self.go.wait(WAIT_S)
        threading.Event().wait(0.01)  # long enough for one more to come in, if it may
        with self.lock:
            self.inside -= 1
        return value


def test_lane_width() -> None:
    """A lane runs as many calls at once as it is wide, and every call in turn."""
    gauge = Gauge()

    async def story() -> list[int]:
        lane = Lane(2)
        return await asyncio.gather(*(lane.run(gauge.call, index) for index in range(12)))

    assert asyncio.run(story()) == list(range(12))
    assert gauge.most == 2


def test_failed_call_frees_place() -> None:
    def fail() -> None:
        raise KeyError

    async def story() -> str:
        lane = Lane(1)
        for _ in range(3):
            with pytest.raises(KeyError):
                await lane.run(fail)
        return await lane.run(lambda: "done")

    assert asyncio.run(story()) == "done"


def test_lanes_leave_room() -> None:
    """All lanes together leave threads in the pool."""
    lanes = [
        field.default_factory()
        for field in AppContext.__dataclass_fields__.values()
        if field.type == "Lane"
    ]  # type: ignore[operator]
    assert len(lanes) == 7
    assert sum(lane.width for lane in lanes) <= POOL // 2


def test_guests_leave_a_thread() -> None:
    """Guests that read much take one thread of two. The paired phone has the other."""
    held, inside = threading.Event(), threading.Semaphore(0)

    def slow() -> None:
        inside.release()
        assert held.wait(WAIT_S)

    async def asked(lane: Lane, *, is_guest: bool) -> None:
        IS_GUEST.set(is_guest)
        await lane.run(slow if is_guest else held.set)

    async def story() -> None:
        lane = Lane(2)
        guests = [asyncio.create_task(asked(lane, is_guest=True)) for _ in range(5)]
        await asyncio.to_thread(inside.acquire)
        await asyncio.wait_for(asyncio.create_task(asked(lane, is_guest=False)), WAIT_S)
        await asyncio.gather(*guests)

    asyncio.run(story())
