"""Stop gets through each attack, the relay goes off, and every place is free afterwards.

How long Stop takes is measured by hand (``make stop-under-attack``).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.http.door.places import Kind, Places
from api.http.server import WebServer
from controller.messages import RunState
from tests.kits.api_client import SILVER, WAIT_S, Daemon, serving_at
from tests.kits.artwork.double import Measuring
from tests.kits.raw_http import STOP, connect
from tests.proofs.attackers import Crowd, attacks

ARTWORK = "3f" * 32
PLACES = Places(waiting=20, guest=20, guest_of_one_address=10)


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True, measure=Measuring())
    daemon.step()
    yield daemon
    daemon.close()


def stopped(port: int) -> dict[str, Any]:
    """Press Stop as a new connection does, and return the response."""
    with connect(port) as person:
        person.sendall(STOP)
        answer = b"".join(iter(lambda: person.recv(65536), b""))
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200"), head
    found: dict[str, Any] = json.loads(body)
    return found


@pytest.mark.parametrize("name", list(attacks(ARTWORK)))
def test_stop_gets_through(daemon: Daemon, name: str) -> None:
    """Three addresses open three times as many connections as guests have places."""
    attack = replace(attacks(ARTWORK)[name], addresses=3, connections=60)
    server = WebServer(daemon.app, PLACES)
    with daemon.looping(), serving_at(server) as port:
        headers = {"authorization": f"Bearer {daemon.bench_token}"}
        address = f"http://127.0.0.1:{port}/api/start"
        assert httpx.post(address, json=SILVER, headers=headers, timeout=WAIT_S).is_success
        daemon.watch.until(RunState.RUNNING)
        crowd = Crowd(attack, port)
        for _ in range(20):
            crowd.round()
        assert stopped(port)["relay_on"] is False
        daemon.watch.until(RunState.STOPPED)
        for _ in range(10):
            crowd.round()
            assert stopped(port)["relay_on"] is False
        assert crowd.opened >= 60
        assert len(server.book.members(Kind.GUEST)) <= PLACES.guest
        crowd.close()
        for _ in range(2000):
            if not server.book.members(Kind.GUEST, Kind.WAITING, Kind.STOP):
                return
            stopped(port)
        raise AssertionError("places are still taken")
