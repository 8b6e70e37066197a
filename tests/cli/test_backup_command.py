"""``backup`` and ``restore``: through the local socket, and directly where no daemon runs."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.access.local_socket import LocalSocket
from api.cli.bench import local as cli_local
from controller.logbook.store import claim_file
from tests.access.test_local_socket import served_locally
from tests.kits.api_client import Daemon
from tests.kits.backup_kit import bench, run_ids
from tests.kits.cli_kit import Command
from tests.kits.logbook_kit import ManualLogbook

BACKUP, RESTORE = Command("backup"), Command("restore")


@pytest.fixture(autouse=True)
def nobody_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No daemon of this machine is asked."""
    monkeypatch.setattr(cli_local, "RUNTIME_DIRECTORY", tmp_path / "run")
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    (tmp_path / "run").mkdir()
    daemon = Daemon(tmp_path / "state", guarded=True)
    daemon.step()
    local = LocalSocket(tmp_path / "run")
    try:
        with served_locally(daemon, local):
            yield daemon
    finally:
        local.close()
        daemon.close()


def test_backup_and_restore_directly(tmp_path: Path) -> None:
    old, new = bench(tmp_path / "old", "r1"), bench(tmp_path / "new", "later")
    file = tmp_path / "b.zip"
    made = BACKUP.call(file, "--state-directory", old.state_directory)
    assert made.exit_code == 0, made.output
    assert "checked" in made.output
    done = RESTORE.call(file, "--state-directory", new.state_directory)
    assert done.exit_code == 0, done.output
    assert "replaced" in done.output
    assert run_ids(new) == ["r1"]
    assert list(tmp_path.glob(".*.part")) == []


def test_backup_and_restore_through_daemon(daemon: Daemon, tmp_path: Path) -> None:
    file = tmp_path / "b.zip"
    made = BACKUP.call(file)
    assert made.exit_code == 0, made.output
    with zipfile.ZipFile(file) as archive:
        assert "logbook.sqlite" in archive.namelist()
    done = RESTORE.call(file)
    assert done.exit_code == 0, done.output
    assert "Restart the controller" in done.output
    assert daemon.backups.not_ready() is not None


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    old = bench(tmp_path / "old", "r1")
    file = tmp_path / "b.zip"
    file.write_text("an older backup")
    assert "exists" in BACKUP.usage_error(file, "--state-directory", old.state_directory)
    assert file.read_text() == "an older backup"


def test_failed_backup_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    result = BACKUP.call(tmp_path / "b.zip", "--state-directory", tmp_path / "empty")
    assert result.exit_code == 1, result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty"]


def test_bad_file_is_refused(tmp_path: Path) -> None:
    new = bench(tmp_path / "new", "later")
    (tmp_path / "b.zip").write_bytes(b"no backup" * 100)
    RESTORE.usage_error(tmp_path / "b.zip", "--state-directory", new.state_directory)
    RESTORE.usage_error(tmp_path / "missing.zip", "--state-directory", new.state_directory)
    assert run_ids(new) == ["later"]


def test_unfinished_run_is_kept(tmp_path: Path) -> None:
    """Without a daemon, too, a run that somebody may resume is not replaced."""
    old, new = bench(tmp_path / "old", "r1"), bench(tmp_path / "new", "later")
    book = ManualLogbook(new.logbook)
    book.logbook.work()
    book.begin("paused")
    book.logbook.finish()
    BACKUP.call(tmp_path / "b.zip", "--state-directory", old.state_directory)
    refused = RESTORE.usage_error(tmp_path / "b.zip", "--state-directory", new.state_directory)
    assert "paused" in refused
    assert run_ids(new) == ["paused", "later"]
    new.logbook.rename(new.logbook.with_name("away.sqlite"))
    done = RESTORE.call(tmp_path / "b.zip", "--state-directory", new.state_directory)
    assert done.exit_code == 0, done.output


def test_damaged_logbook_is_replaced(tmp_path: Path) -> None:
    """Nobody can resume a run of a logbook that cannot be read."""
    old, new = bench(tmp_path / "old", "r1"), bench(tmp_path / "new", "later")
    BACKUP.call(tmp_path / "b.zip", "--state-directory", old.state_directory)
    new.logbook.write_bytes(b"SQLite format 3\0" + b"damaged" * 1000)
    done = RESTORE.call(tmp_path / "b.zip", "--state-directory", new.state_directory)
    assert done.exit_code == 0, done.output
    assert run_ids(new) == ["r1"]


def test_daemon_without_socket(tmp_path: Path) -> None:
    """A daemon that holds the logbook is not restored under its feet."""
    old, new = bench(tmp_path / "old", "r1"), bench(tmp_path / "new", "later")
    BACKUP.call(tmp_path / "b.zip", "--state-directory", old.state_directory)
    claim = claim_file(new.logbook)
    refused = RESTORE.usage_error(tmp_path / "b.zip", "--state-directory", new.state_directory)
    assert "biteclock.sqlite" in refused
    os.close(claim)
    assert run_ids(new) == ["later"]
