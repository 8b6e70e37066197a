"""The limit on requests in progress, which does not hold for Stop."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from api.http.guards.load import LoadGuard


def scope(path: str, method: str = "GET") -> dict[str, Any]:
    return {"type": "http", "method": method, "path": path, "headers": [], "query_string": b""}


async def nothing(*_: Any) -> Any:
    return None


class Held:
    """An application that holds its requests until a test lets them go."""

    def __init__(self) -> None:
        self.go = asyncio.Event()
        self.inside = 0

    async def __call__(self, *_: Any) -> None:
        self.inside += 1
        try:
            await self.go.wait()
        finally:
            self.inside -= 1


async def asked(guard: LoadGuard, path: str, method: str = "GET") -> int | None:
    """Return the status of the guard's own answer, None when it lets the request pass."""
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    await guard(scope(path, method), nothing, send)
    return sent[0]["status"] if sent else None


def test_too_many_requests() -> None:
    async def story() -> None:
        app = Held()
        guard = LoadGuard(app, most=3)
        waiting = [asyncio.create_task(asked(guard, "/api/runs")) for _ in range(3)]
        while app.inside < 3:
            await nothing()
            await asyncio.wait(waiting, timeout=0)
        assert await asked(guard, "/api/runs") == 503
        assert await asked(guard, "/") == 503
        app.go.set()
        assert await asyncio.gather(*waiting) == [None] * 3
        assert await asked(guard, "/api/runs") is None
        assert guard.under_way == 0

    asyncio.run(story())


def test_stop_and_streams_uncounted() -> None:
    async def story() -> None:
        app = Held()
        guard = LoadGuard(app, most=0)
        waiting = [
            asyncio.create_task(asked(guard, *request))
            for request in (("/api/stop", "POST"), ("/api/events", "GET"))
        ]
        while app.inside < 2:
            await asyncio.wait(waiting, timeout=0)
        assert await asked(guard, "/api/stop", "GET") == 503
        app.go.set()
        assert await asyncio.gather(*waiting) == [None, None]

    asyncio.run(story())


def test_failed_request_frees_place() -> None:
    async def broken(*_: Any) -> None:
        raise KeyError

    async def story() -> None:
        guard = LoadGuard(broken, most=1)
        for _ in range(3):
            with pytest.raises(KeyError):
                await asked(guard, "/api/runs")
        assert guard.under_way == 0

    asyncio.run(story())
