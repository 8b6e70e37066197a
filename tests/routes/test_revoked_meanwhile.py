"""A device that is revoked while its request arrives or is answered has nothing more of it.

A lost phone may have begun a restore, which takes half an hour on a poor network, before its owner
revoked it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.access.auth import Caller
from api.http.context import Lane
from api.http.routes.backup import _streamed
from controller.messages import RunState
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem
from tests.kits.artwork.double import PNG, Measuring
from tests.kits.backup_kit import backup_of, bench

JSON = "application/json"


@pytest.fixture
def measuring() -> Measuring:
    return Measuring()


@pytest.fixture
def daemon(tmp_path: Path, measuring: Measuring) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path / "state", guarded=True, measure=measuring)
    daemon.step()
    yield daemon
    daemon.close()


def sent(
    daemon: Daemon, path: str, body: bytes, kind: str, between: Callable[[str], None]
) -> httpx.Response:
    """Send a body as a paired device, and call something when half of it has arrived."""
    pairing, token = daemon.access.store.add("lost phone")

    async def halves() -> AsyncIterator[bytes]:
        yield body[: len(body) // 2]
        between(pairing.pairing_id)
        yield body[len(body) // 2 :]

    headers = {"authorization": f"Bearer {token}", "content-type": kind}
    return ask(daemon.app, "POST", path, content=halves(), headers=headers)


def nothing(_pairing_id: str) -> None:
    """Revoke nobody."""


def a_backup(tmp_path: Path) -> bytes:
    return backup_of(bench(tmp_path / "old", "r1"), tmp_path / "b.zip").read_bytes()


def test_restore_of_revoked(daemon: Daemon, tmp_path: Path) -> None:
    """Nothing is staged, and the daemon is not restarted."""
    body, ended = a_backup(tmp_path), list[str]()
    daemon.backups.restart = lambda: ended.append("ended")
    answer = sent(daemon, "/api/restore", body, "application/zip", daemon.access.revoke)
    assert_problem(answer, 401, "pairing-needed")
    assert (daemon.backups.not_ready(), ended) == (None, [])
    answer = sent(daemon, "/api/restore", body, "application/zip", nothing)
    assert (answer.status_code, ended) == (202, ["ended"])


def test_upload_of_revoked(daemon: Daemon, measuring: Measuring) -> None:
    """No worker starts for it, and nothing is kept."""
    answer = sent(daemon, "/api/artworks", PNG, "image/png", daemon.access.revoke)
    assert_problem(answer, 401, "pairing-needed")
    assert (measuring.asked, daemon.artworks.recent(5)) == ([], ())
    assert sent(daemon, "/api/artworks", PNG, "image/png", nothing).status_code == 201


BATH = {"name": "new bath", "metal": "fine-silver", "acid": "copper nitrate", "volume_l": 5.0}
READING = {"kind": "gauge", "depth_mm": 0.2}


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/plan", SILVER),
        ("/api/start", SILVER),
        ("/api/first-look", {"is_well": False}),
        ("/api/ceilings", {"is_confirmed": True}),
        ("/api/baths", BATH),
        ("/api/runs/r1/readings", READING),
    ],
)
def test_command_of_revoked(daemon: Daemon, path: str, body: dict[str, Any]) -> None:
    """Before the body is looked at, and so before anything is done."""
    answer = sent(daemon, path, json.dumps(body).encode(), JSON, daemon.access.revoke)
    assert_problem(answer, 401, "pairing-needed")
    assert daemon.assembly.supervisor.state is RunState.IDLE
    answer = sent(daemon, path, json.dumps(body).encode(), JSON, nothing)
    assert answer.status_code != 401


def test_start_revoked_while_planned(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """A plan takes seconds on a small Pi, and other plans come first."""
    pairing, token = daemon.access.store.add("lost phone")
    service = daemon.assembly.service
    plan = type(service).plan

    def revoked_meanwhile(self: Any, request: Any) -> Any:
        daemon.access.revoke(pairing.pairing_id)
        return plan(self, request)

    monkeypatch.setattr(type(service), "plan", revoked_meanwhile)
    headers = {"authorization": f"Bearer {token}"}
    answer = ask(daemon.app, "POST", "/api/start", json=SILVER, headers=headers)
    assert_problem(answer, 401, "pairing-needed")
    assert daemon.assembly.supervisor.state is RunState.IDLE


def test_download_of_revoked(daemon: Daemon) -> None:
    """The rest of the backup is not sent, and the desk is free for another one."""
    device = Caller(daemon.access.store.add("lost phone")[0])

    async def taken() -> list[bytes]:
        pieces = daemon.backups.pieces()
        taken = []
        async for piece in _streamed(
            Lane(1), next(pieces), pieces, lambda: daemon.access.may_still_control(device)
        ):
            taken.append(piece)
            daemon.access.revoke_all()
        return taken

    assert len(asyncio.run(taken())) == 1
    assert len(list(daemon.backups.pieces())) > 1


def test_dated_pairing_controls_still(daemon: Daemon) -> None:
    """A pairing made before the clock was set is dated later, and stays the same pairing."""
    clock, access = daemon.heart, daemon.access
    clock.is_utc_set = lambda: False  # type: ignore[method-assign]
    device = Caller(access.store.add("phone")[0])
    clock.is_utc_set = lambda: True  # type: ignore[method-assign]
    assert access.may_still_control(device)
    assert access.may_still_control(None), "somebody whom the guard let pass"
    assert access.may_still_control(Caller(None)), "a program with the daemon's own token"
