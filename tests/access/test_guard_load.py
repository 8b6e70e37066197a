"""The shares of requests in progress, which do not hold for Stop, and the turns of requests."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from api.access.auth import CALLER, COOKIE, Access
from api.access.shares import ShareLimits
from api.http.guards.load import LoadGuard
from api.http.guards.pace import Pace
from hardware.clock import SystemClock


@pytest.fixture
def access(tmp_path: Path) -> Access:
    return Access(tmp_path, SystemClock())


def scope(
    path: str, method: str = "GET", *, address: str = "192.0.2.7", token: str = ""
) -> dict[str, Any]:
    headers = [(b"cookie", f"{COOKIE}={token}".encode())] if token else []
    return {
        "type": "http",
        "method": method,
        "path": path,
        "headers": headers,
        "query_string": b"",
        "client": (address, 4000),
    }


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


async def asked(guard: LoadGuard, request: dict[str, Any]) -> int | None:
    """Return the status of the guard's own answer, None when it lets the request pass."""
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    await guard(request, nothing, send)
    return sent[0]["status"] if sent else None


async def held(guard: LoadGuard, app: Held, *requests: dict[str, Any]) -> list[Any]:
    """Send requests that stay inside."""
    wanted = app.inside + len(requests)
    waiting = [asyncio.create_task(asked(guard, request)) for request in requests]
    while app.inside < wanted:
        await asyncio.wait(waiting, timeout=0)
    return waiting


def test_each_address_has_share(access: Access) -> None:
    async def story() -> None:
        app = Held()
        guard = LoadGuard(app, access, ShareLimits(guests=5, per_address=3, paired=2))
        waiting = await held(guard, app, *[scope("/api/runs")] * 3)
        assert await asked(guard, scope("/api/runs")) == 503
        assert await asked(guard, scope("/")) == 503
        waiting += await held(guard, app, *[scope("/api/runs", address="192.0.2.8")] * 2)
        assert await asked(guard, scope("/", address="192.0.2.9")) == 503, "guests together"
        app.go.set()
        assert await asyncio.gather(*waiting) == [None] * 5
        assert await asked(guard, scope("/api/runs")) is None
        assert guard._shares.taken == 0

    asyncio.run(story())


def test_paired_phone_despite_guests(access: Access) -> None:
    """Guests hold all that they may. A paired phone at the same address gets its responses."""
    token = access.store.add("phone")[1]

    async def story() -> None:
        app = Held()
        guard = LoadGuard(app, access, ShareLimits(guests=4, per_address=4, paired=1))
        waiting = await held(guard, app, *[scope("/api/pair", "POST")] * 4)
        assert await asked(guard, scope("/api/status")) == 503
        paired = scope("/api/pause", "POST", token=token)
        waiting += await held(guard, app, paired)
        assert paired[CALLER].pairing.name == "phone"
        assert await asked(guard, scope("/api/pause", "POST", token=token)) == 503
        app.go.set()
        await asyncio.gather(*waiting)

    asyncio.run(story())


def test_stop_and_streams_uncounted(access: Access) -> None:
    async def story() -> None:
        app = Held()
        guard = LoadGuard(app, access, ShareLimits(0, 0, 0))
        waiting = await held(guard, app, scope("/api/stop", "POST"), scope("/api/events"))
        assert await asked(guard, scope("/api/stop", "GET")) == 503
        app.go.set()
        assert await asyncio.gather(*waiting) == [None, None]

    asyncio.run(story())


def test_failed_request_frees_place(access: Access) -> None:
    async def broken(*_: Any) -> None:
        raise KeyError

    async def story() -> None:
        guard = LoadGuard(broken, access, ShareLimits(1, 1, 1))
        for _ in range(3):
            with pytest.raises(KeyError):
                await asked(guard, scope("/api/runs"))
        assert guard._shares.taken == 0

    asyncio.run(story())


# --- turns ----------------------------------------------------------------------------------------


def passes_of(pace: Pace, *requests: bool) -> list[list[int]]:
    """Return the numbers of the requests that started in each pass of the event loop.

    :param requests: whether each is paired.
    """
    started: list[list[int]] = []

    async def request(number: int, *, is_paired: bool) -> None:
        await pace.turn(is_paired=is_paired)
        started[-1].append(number)

    async def story() -> None:
        tasks = [
            asyncio.create_task(request(number, is_paired=is_paired))
            for number, is_paired in enumerate(requests)
        ]
        loop = asyncio.get_running_loop()

        def new_pass() -> None:
            started.append([])
            loop.call_soon(new_pass)

        new_pass()
        await asyncio.gather(*tasks)

    asyncio.run(story())
    return [pass_ for pass_ in started if pass_]


def test_few_start_in_a_pass() -> None:
    """Two hundred requests arrive at once, and none of the passes takes long."""
    passes = passes_of(Pace(a_pass=4), *[False] * 200)
    assert [number for pass_ in passes for number in pass_] == list(range(200))
    assert max(len(pass_) for pass_ in passes) <= 4


def test_paired_start_first() -> None:
    passes = passes_of(Pace(a_pass=1), False, False, False, True)
    assert [number for pass_ in passes for number in pass_] == [0, 3, 1, 2]


def test_given_up_turn_is_not_lost() -> None:
    """A request whose connection ended while it waited takes no turn from the next one."""

    async def story() -> None:
        pace = Pace(a_pass=1)
        turns = [asyncio.ensure_future(pace.turn(is_paired=False)) for _ in range(4)]
        await asyncio.wait(turns, timeout=0)
        turns[1].cancel()
        turns[2].cancel()
        await asyncio.wait_for(turns[3], 60.0)

    asyncio.run(story())
