"""Backup and restore through the application: who may, when, and what the control loop notices."""

from __future__ import annotations

import io
import json
import shutil
import threading
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.backup import desk as desk_module
from controller.backup.restoring import finish
from controller.config import parse_settings
from controller.messages import RunState
from controller.safety.run import new_run
from controller.texts import Message
from tests.kits.api_client import Daemon, ask, assert_problem
from tests.kits.backup_kit import backup_of, bench, run_ids
from tests.kits.doubles import silver_request
from tests.kits.logbook_kit import began, changed

ZIP = {"content-type": "application/zip"}


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path / "state", guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


def own(daemon: Daemon) -> dict[str, str]:
    return {"authorization": f"Bearer {daemon.bench_token}"}


def restored(daemon: Daemon, body: bytes, **headers: str) -> Any:
    sent = {**ZIP, **own(daemon), **headers}
    return ask(daemon.app, "POST", "/api/restore", content=body, headers=sent)


def test_download(daemon: Daemon) -> None:
    answer = ask(daemon.app, "GET", "/api/backup", headers=own(daemon))
    assert answer.status_code == 200
    assert answer.headers["content-disposition"].startswith('attachment; filename="biteclock-')
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert "logbook.sqlite" in json.loads(archive.read("manifest.json"))["files"]
    assert daemon.bench_token.encode() not in answer.content
    assert list((Path(daemon.logbook.path).parent).glob("backup-*")) == []


def test_only_paired_devices(daemon: Daemon) -> None:
    """Looking is open to all by default. A backup is more than looking."""
    assert_problem(ask(daemon.app, "GET", "/api/backup"), 401, "pairing-needed")
    answer = ask(daemon.app, "POST", "/api/restore", content=b"x", headers=ZIP)
    assert_problem(answer, 401, "pairing-needed")


def test_restore_waits_for_restart(daemon: Daemon, tmp_path: Path) -> None:
    """The backup is checked, nothing begins until the restart, and then it is in place."""
    body = backup_of(bench(tmp_path / "old", "r1"), tmp_path / "b.zip").read_bytes()
    answer = restored(daemon, body)
    assert answer.status_code == 202
    assert answer.json()["restarts"] is False
    assert "Restart the controller" in answer.json()["message"]
    assert "is waiting to be restored" in str(daemon.backups.not_ready())
    daemon.close()
    assert finish(daemon.backups._places) is not None
    assert run_ids(daemon.backups._places) == ["r1"]


def test_restart_follows_response(daemon: Daemon, tmp_path: Path) -> None:
    """A service manager starts the daemon again. The phone has its response by then."""
    ended: list[str] = []
    daemon.backups.restart = lambda: ended.append("ended")
    body = backup_of(bench(tmp_path / "old", "r1"), tmp_path / "b.zip").read_bytes()
    answer = restored(daemon, body)
    assert (answer.json()["restarts"], ended) == (True, ["ended"])
    ended.clear()
    assert_problem(restored(daemon, b"no backup at all"), 422, "bad-value")
    assert ended == []


@pytest.mark.parametrize("state", [it for it in RunState if it not in desk_module.RESTORABLE])
def test_restore_refused_in_run(daemon: Daemon, tmp_path: Path, state: RunState) -> None:
    body = backup_of(bench(tmp_path / "old", "r1"), tmp_path / "b.zip").read_bytes()
    daemon.backups._state = lambda: state
    problem = assert_problem(restored(daemon, body), 409, "wrong-state")
    assert state.value in problem["detail"]
    assert daemon.backups.not_ready() is None


def test_restore_refused_while_reading(daemon: Daemon, tmp_path: Path) -> None:
    """The logbook may hold an interrupted run, and the rig still looks idle."""
    body = backup_of(bench(tmp_path / "old", "r1"), tmp_path / "b.zip").read_bytes()
    daemon.why_not_ready = Message("logbook.checking")
    problem = assert_problem(restored(daemon, body), 409, "wrong-state")
    assert "being checked" in problem["detail"]
    assert daemon.backups.not_ready() is None
    daemon.why_not_ready = None
    assert restored(daemon, body).status_code == 202


def test_run_that_begins_meanwhile(daemon: Daemon, tmp_path: Path) -> None:
    """A run that began while the backup was checked goes on, and the backup is forgotten."""
    body = backup_of(bench(tmp_path / "old", "r1"), tmp_path / "b.zip").read_bytes()
    states = iter((RunState.IDLE, RunState.IDLE, RunState.RUNNING, RunState.RUNNING))
    ended: list[str] = []
    daemon.backups.restart = lambda: ended.append("ended")
    daemon.backups._state = lambda: next(states)
    assert_problem(restored(daemon, body), 409, "wrong-state")
    daemon.backups.restart_now()
    assert ended == [], "a run is never ended by a restore"
    assert daemon.backups.not_ready() is None
    assert finish(daemon.backups._places) is None


def test_wrong_body(daemon: Daemon) -> None:
    problem = assert_problem(restored(daemon, b"PK", **{"content-type": "image/png"}), 415,
                             "no-backup-type")  # fmt: skip
    assert "application/zip" in problem["detail"]
    assert_problem(restored(daemon, b""), 422, "bad-value")


def test_no_room_for_upload(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """A large upload must not take the room that the logbook of the next run needs."""
    usage = shutil.disk_usage("/")._replace(free=50_000_000)
    monkeypatch.setattr(desk_module.shutil, "disk_usage", lambda _path: usage)
    problem = assert_problem(restored(daemon, b"PK"), 503, "backup-failed")
    assert "50 MB are free" in problem["detail"]


def test_one_at_a_time(daemon: Daemon) -> None:
    pieces = daemon.backups.pieces()
    next(pieces)
    answer = ask(daemon.app, "GET", "/api/backup", headers=own(daemon))
    assert_problem(answer, 503, "backup-failed")
    pieces.close()
    answer = ask(daemon.app, "GET", "/api/backup", headers=own(daemon))
    assert answer.status_code == 200


def test_loop_keeps_its_pace(daemon: Daemon) -> None:
    """Backups in a run: the loop makes every pass on virtual time, and the run goes on.

    A backup that took the loop's lock, its sensor or the logbook's queue would end this in a trip,
    a lost row or a hang.
    """
    supervisor = daemon.assembly.supervisor
    plan = daemon.assembly.service.plan(silver_request())
    supervisor.start(new_run("now", plan, parse_settings({}).limits))
    daemon.step(200)
    assert supervisor.state is RunState.RUNNING
    before_s = daemon.clock.monotonic_s()
    daemon.step(500)
    alone_s = (daemon.clock.monotonic_s() - before_s) / 500
    sizes: list[int] = []

    def back_up() -> None:
        for _ in range(5):
            sizes.append(sum(map(len, daemon.backups.pieces())))

    thread = threading.Thread(target=back_up)
    thread.start()
    began_at_s, passes = daemon.clock.monotonic_s(), 0
    while thread.is_alive() or passes < 500:
        daemon.step(1)
        passes += 1
        if passes % 50 == 0:
            daemon.logbook.work()
    thread.join()
    assert len(sizes) == 5
    beside_s = (daemon.clock.monotonic_s() - began_at_s) / passes
    assert beside_s == pytest.approx(alone_s, rel=0.05)
    assert supervisor.state in (RunState.RUNNING, RunState.FINISHED), supervisor.finding
    health = daemon.logbook.health()
    assert (health.lost, health.message) == (0, None)


def test_logbook_is_written_meanwhile(daemon: Daemon, tmp_path: Path) -> None:
    """A backup under way holds no lock that the writing thread would wait for."""
    for number in range(20):
        daemon.logbook.put(began(f"r{number}"))
        daemon.logbook.put(changed(f"r{number}", RunState.FINISHED, 5.0))
        daemon.logbook.work()
    pieces = daemon.backups.pieces()
    body = next(pieces)
    daemon.logbook.put(began("during"))
    daemon.logbook.put(changed("during", RunState.STOPPED, 5.0))
    daemon.logbook.work()
    health = daemon.logbook.health()
    assert (health.waiting, health.message) == (0, None)
    body += b"".join(pieces)
    (tmp_path / "b.zip").write_bytes(body)
    daemon.close()
    assert run_ids(daemon.backups._places)[0] == "during"
