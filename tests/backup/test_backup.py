"""A backup and what it is made of; a restored one; and every backup that must be refused."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import stat
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from controller.backup import restoring
from controller.backup.form import BackupFailedError, BackupRefusedError, Places
from controller.backup.reading import read_manifest
from controller.backup.restoring import finish, is_staged, kept_settings, stage
from controller.config import load_settings, parse_settings
from controller.logbook.reader import LogbookReader
from controller.messages import RunState
from hardware.clock import VirtualClock
from tests.kits.artwork.double import measured
from tests.kits.backup_kit import DIGEST, PICTURE, backup_of, bench, entry, rewritten, run_ids
from tests.kits.logbook_kit import UTC_0, ManualLogbook, mean

CLOCK = VirtualClock(UTC_0)


@pytest.fixture
def old(tmp_path: Path) -> Places:
    """The bench that is backed up."""
    return bench(tmp_path / "old", "r1", "r2")


@pytest.fixture
def new(tmp_path: Path) -> Places:
    """The bench on which the backup is restored."""
    return bench(tmp_path / "new", "later")


@pytest.fixture
def backup(old: Places, tmp_path: Path) -> Path:
    return backup_of(old, tmp_path / "bench.zip")


def files_of(places: Places) -> dict[str, bytes]:
    """Return everything that a person would miss; locks and empty logs are not."""
    return {
        str(path.relative_to(places.state_directory)): path.read_bytes()
        for path in sorted(places.state_directory.rglob("*"))
        if path.is_file() and not path.name.endswith(("-lock", "-shm", "-wal"))
    }


def test_contents_of_backup(backup: Path) -> None:
    """Any unzip program lists it, and the manifest says what it is."""
    with zipfile.ZipFile(backup) as archive:
        assert archive.testzip() is None
        manifest = json.loads(archive.read("manifest.json"))
        for name, about in manifest["files"].items():
            body = archive.read(name)
            assert (len(body), hashlib.sha256(body).hexdigest()) == (
                about["bytes"],
                about["sha256"],
            )
        everything = b"".join(archive.read(name) for name in archive.namelist())
        assert set(archive.namelist()) == {"manifest.json", *manifest["files"]}
    assert manifest["format"] == "biteclock-backup"
    assert (manifest["program_version"], manifest["bench_name"]) == ("1.2.3", "the big bath")
    assert PICTURE in everything
    assert b"a secret" not in everything


def test_backup_during_run(old: Places, new: Places, tmp_path: Path) -> None:
    """It holds all that was written until then. The run is over in the restored logbook."""
    book = ManualLogbook(old.logbook)
    book.logbook.work()
    book.begin("now")
    book.write(*(mean(i, run_id="now") for i in range(50)))
    stage(backup_of(old, tmp_path / "b.zip"), new, CLOCK)
    finish(new)
    assert run_ids(new) == ["now", "r2", "r1"]
    assert LogbookReader(new.logbook).run("now").summary.state is RunState.STOPPED
    restored = ManualLogbook(new.logbook)
    restored.logbook.work()
    assert restored.logbook.interrupted is None, "nobody can carry on with it"
    assert restored.logbook.health().notice is None, "no log is missing"


def test_restored_bench(old: Places, new: Places, backup: Path) -> None:
    """Everything is back, and what was replaced stays beside with the date."""
    before = files_of(new)
    manifest = stage(backup, new, CLOCK)
    assert manifest.program_version == "1.2.3"
    assert run_ids(new) == ["later"], "staging touches nothing in use"
    stamp = finish(new)
    assert stamp == "20310304T100000Z"
    assert run_ids(new) == ["r2", "r1"]
    assert sum(map(len, LogbookReader(new.logbook).samples("r1"))) == 100
    assert (new.artworks / "files" / DIGEST / "artwork.png").read_bytes() == PICTURE
    replaced = Places(
        new.logbook.with_name(f"biteclock-replaced-{stamp}.sqlite"), new.state_directory
    )
    assert run_ids(replaced) == ["later"]
    assert (new.state_directory / f"artworks-replaced-{stamp}" / "files" / DIGEST).exists()
    for secret in ("bench-token", "pairings.json"):
        assert files_of(new)[secret] == before[secret], "who is paired stays as it is"
    assert not is_staged(new)
    assert finish(new) is None


def test_settings_are_kept_beside(old: Places, new: Places, tmp_path: Path) -> None:
    """They are the file that was in force, and are never put in force by themselves."""
    tables = {
        "rig": {"shunt_ohm": 0.0198, "lamp_pin": "GPIO5"},
        "server": {"name": 'the "big" bath', "hosts": ["etching.example"]},
        "metals": {"copper": {"etch_factor": 1.1}},
    }
    settings = parse_settings(tables)
    stage(backup_of(old, tmp_path / "b.zip", settings), new, CLOCK)
    stamp = finish(new)
    assert stamp is not None
    assert load_settings(kept_settings(new, stamp)) == settings


def test_two_restores_at_once(new: Places, backup: Path) -> None:
    """The second keeps what the first replaced, also within a second."""
    for _ in range(2):
        stage(backup, new, CLOCK)
        finish(new)
    names = [path.name for path in new.state_directory.glob("*replaced*.sqlite")]
    assert sorted(names) == [
        "biteclock-replaced-20310304T100000Z-2.sqlite",
        "biteclock-replaced-20310304T100000Z.sqlite",
    ]


def sql(*statements: str) -> Callable[[dict[str, bytes]], None]:
    """Return a change of the logbook in a backup."""

    def change(files: dict[str, bytes]) -> None:
        with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
            connection.deserialize(files["logbook.sqlite"])
            for statement in statements:
                connection.execute(statement)
            files["logbook.sqlite"] = connection.serialize()

    return change


def put(name: str, body: bytes = b"x") -> Callable[[dict[str, bytes]], None]:
    return lambda files: files.update({name: body})


def bitten(files: dict[str, bytes]) -> None:
    """Damage the middle of the logbook."""
    body = bytearray(files["logbook.sqlite"])
    middle = len(body) // 2
    body[middle : middle + 3000] = b"\xa5" * 3000
    files["logbook.sqlite"] = bytes(body)


@pytest.mark.parametrize(
    ("change", "info", "key"),
    [
        (put("../outside"), {}, "backup.foreign_file"),
        (put("/etc/biteclock/biteclock.toml"), {}, "backup.foreign_file"),
        (put("artworks/entries/../../bench-token"), {}, "backup.foreign_file"),
        (put("pairings.json"), {}, "backup.foreign_file"),
        (put("artworks/"), {}, "backup.foreign_file"),
        (lambda _files: None, {"external_attr": (stat.S_IFLNK | 0o777) << 16},
         "backup.foreign_file"),
        (put("artworks/files/" + "0" * 64 + "/artwork.png"), {}, "backup.damaged"),
        (lambda files: files.pop("logbook.sqlite"), {}, "backup.other_files"),
        (put("logbook.sqlite", b"no database"), {}, "backup.unsound"),
        (bitten, {}, "backup.unsound"),
        (sql("PRAGMA user_version = 99"), {}, "backup.newer"),
        (sql("PRAGMA application_id = 7"), {}, "backup.no_logbook"),
        (sql("CREATE TRIGGER t AFTER INSERT ON runs BEGIN DELETE FROM runs; END"), {},
         "backup.foreign_object"),
        (sql("DROP VIEW samples", "CREATE VIEW samples AS SELECT 1 AS run"), {},
         "backup.foreign_object"),
        (sql("DROP VIEW samples"), {}, "backup.missing_object"),
        (sql("DROP INDEX events_of_run"), {}, "backup.missing_object"),
        (put("biteclock.toml", b"x" * 1_000_001), {}, "backup.too_large"),
        (lambda _files: None, {"compress_type": zipfile.ZIP_BZIP2}, "backup.other_compression"),
        (lambda _files: None, {"compress_type": zipfile.ZIP_LZMA}, "backup.other_compression"),
    ],
)  # fmt: skip
def test_refused_backup(
    backup: Path, new: Places, tmp_path: Path, change: Any, info: dict[str, Any], key: str
) -> None:
    """Whatever is wrong, nothing is changed and nothing is left."""
    bad = rewritten(backup, tmp_path / "bad.zip", change, **info)
    before = files_of(new)
    with pytest.raises(BackupRefusedError) as caught:
        stage(bad, new, CLOCK)
    assert caught.value.message.key == key
    assert finish(new) is None
    assert files_of(new) == before
    assert not (tmp_path / "outside").exists()


LINE = {"x_mm": "a", "y_mm": [], "width_mm": {}, "length_mm": None}


@pytest.mark.parametrize(
    "body",
    [
        b"no entry",
        b"[" * 100_000,
        json.dumps(entry(name="ivy\x1b[2J")).encode(),
        json.dumps(entry(media_type="text/html")).encode(),
        json.dumps(entry(file_bytes=-5)).encode(),
        json.dumps(entry(file_bytes="5")).encode(),
        json.dumps(entry(uploaded_at_utc="2031-03-04")).encode(),
        json.dumps(entry(options={"dpi": "6"})).encode(),
        json.dumps(entry(options={"\x1b[2J": "6"})).encode(),
        json.dumps(entry(measure={"\x1b[2J": "6"})).encode(),
        json.dumps(entry(measure={**measured(DIGEST).to_dict(), "sha256": "../.."})).encode(),
        json.dumps(entry(measure={**measured(DIGEST).to_dict(), "lost_lines": [LINE]})).encode(),
    ],
    ids=range(12),
)
def test_bad_entry_is_left_out(
    backup: Path, new: Places, tmp_path: Path, caplog: pytest.LogCaptureFixture, body: bytes
) -> None:
    """Everything else is restored, and the log names the artwork, without control characters."""
    name = f"{'6b' * 32}.json"
    with caplog.at_level("WARNING", logger="biteclock"):
        stage(
            rewritten(backup, tmp_path / "b.zip", put(f"artworks/entries/{name}", body)), new, CLOCK
        )
    finish(new)
    assert [it.name for it in (new.artworks / "entries").iterdir()] == [f"{'5a' * 32}.json"]
    assert name in caplog.messages[0]
    assert caplog.messages[0].isprintable()
    assert run_ids(new) == ["r2", "r1"]


def test_digest_of_manifest(backup: Path, new: Places, tmp_path: Path) -> None:
    """A file that was exchanged has the right checksum of the zip file, and another SHA-256."""
    with zipfile.ZipFile(backup) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    files["biteclock.toml"] = files["biteclock.toml"].replace(b"big", b"wet")
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        for name, body in files.items():
            archive.writestr(name, body)
    with pytest.raises(BackupRefusedError) as caught:
        stage(tmp_path / "bad.zip", new, CLOCK)
    assert caught.value.message.key == "backup.damaged"


@pytest.mark.parametrize("kept", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_truncated_backup(backup: Path, new: Places, kept: float) -> None:
    body = backup.read_bytes()
    backup.write_bytes(body[: int(kept * len(body))])
    with pytest.raises(BackupRefusedError):
        stage(backup, new, CLOCK)


def test_changed_byte(backup: Path, new: Places) -> None:
    """A byte that changed on the way is found, wherever it is."""
    body = backup.read_bytes()
    for place in range(0, len(body), max(1, len(body) // 60)):
        backup.write_bytes(body[:place] + bytes((body[place] ^ 0x55,)) + body[place + 1 :])
        before = files_of(new)
        try:
            stage(backup, new, CLOCK)
        except BackupRefusedError:
            assert finish(new) is None
            assert files_of(new) == before
        else:  # a byte of a date or an attribute, which says nothing of the contents
            restoring.discard(new)


@pytest.mark.parametrize(
    "made_at_utc",
    [
        "2026\x1b[2J\x1b]0;pwn\x07",
        "2031-03-04T10:00:00",
        "2031-03-04",
        "",
        20310304,
        None,
    ],
)
def test_time_of_manifest(backup: Path, tmp_path: Path, made_at_utc: Any) -> None:
    """It is shown in terminals, which obey control characters."""
    with pytest.raises(BackupRefusedError) as caught:
        read_manifest(dated(backup, tmp_path / "bad.zip", made_at_utc))
    assert caught.value.message.key == "backup.no_manifest"


def test_time_is_written_again(backup: Path, tmp_path: Path) -> None:
    """Python reads any character between date and time. What is shown has the usual one."""
    odd = dated(backup, tmp_path / "odd.zip", "2031-03-04\x9b10:00:00+00:00")
    assert read_manifest(odd).made_at_utc == "2031-03-04T10:00:00+00:00"


def dated(backup: Path, target: Path, made_at_utc: Any) -> Path:
    """Return a copy of a backup with another time in its manifest."""
    with zipfile.ZipFile(backup) as archive, zipfile.ZipFile(target, "w") as out:
        for name in archive.namelist():
            body = archive.read(name)
            if name == "manifest.json":
                body = json.dumps({**json.loads(body), "made_at_utc": made_at_utc}).encode()
            out.writestr(name, body)
    return target


def test_bomb_is_refused(tmp_path: Path, backup: Path) -> None:
    """A file of 3 MB that would become 3 GB, and a directory of 70 000 names."""
    bomb = rewritten(backup, tmp_path / "bomb.zip", put("logbook.sqlite", bytes(1_000_000_001)))
    assert bomb.stat().st_size < 5_000_000
    with pytest.raises(BackupRefusedError) as caught:
        read_manifest(bomb)
    assert caught.value.message.key == "backup.too_large"
    with zipfile.ZipFile(tmp_path / "many.zip", "w") as archive:
        for number in range(1001):
            archive.writestr(str(number), b"")
    with pytest.raises(BackupRefusedError) as caught:
        read_manifest(tmp_path / "many.zip")
    assert caught.value.message.key == "backup.too_many"


class PowerCutError(BaseException):
    """The machine loses its power. Nothing after it runs, not even what removes files."""


@pytest.mark.parametrize("has_log", [False, True])
def test_power_cut_at_each_step(
    tmp_path: Path, backup: Path, monkeypatch: pytest.MonkeyPatch, has_log: bool
) -> None:
    """After a cut at any step the bench comes up whole, old or new, and nothing is lost."""
    renamed, unlinked = Path.rename, Path.unlink
    cuts = 0
    for step in range(100):
        places = bench(tmp_path / f"new-{step}", "later")
        if has_log:  # an earlier process was killed
            places.logbook.with_name("biteclock.sqlite-wal").write_bytes(b"old log")
        before = places.logbook.read_bytes()
        stage(backup, places, CLOCK)
        left = step

        def cut(action: Any) -> Any:
            def acted(*arguments: Any, **options: Any) -> Any:
                nonlocal left
                left -= 1
                if left < 0:
                    raise PowerCutError
                return action(*arguments, **options)

            return acted

        with monkeypatch.context() as patched:
            patched.setattr(Path, "rename", cut(renamed))
            patched.setattr(Path, "unlink", cut(unlinked))
            patched.setattr(os, "fsync", cut(os.fsync))
            try:
                finish(places)
                is_cut = False
            except PowerCutError:
                is_cut = True
        finish(places)
        assert run_ids(places) == ["r2", "r1"], step
        replaced = places.logbook.with_name("biteclock-replaced-20310304T100000Z.sqlite")
        assert replaced.read_bytes() == before, step
        assert replaced.with_name(replaced.name + "-wal").exists() is has_log, step
        assert (places.artworks / "files" / DIGEST / "artwork.png").read_bytes() == PICTURE
        assert not (places.state_directory / "restore-staged").exists()
        cuts += is_cut
        if not is_cut:
            break
    assert cuts >= 8


def test_power_cut_while_staging(
    tmp_path: Path, backup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A backup that is not wholly staged is forgotten at the next start."""

    def cut(path: Path, target: Path) -> Path:
        raise PowerCutError

    places = bench(tmp_path / "cut", "later")
    before = files_of(places)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", cut)
        patched.setattr(restoring, "discard", lambda _places: None)
        with pytest.raises(PowerCutError):
            stage(backup, places, CLOCK)
    assert finish(places) is None
    assert files_of(places) == before


def test_full_card(backup: Path, new: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    before = files_of(new)

    def full(*_arguments: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(restoring, "extract", full)
    with pytest.raises(BackupFailedError, match="No space left"):
        stage(backup, new, CLOCK)
    assert files_of(new) == before
