"""The logbook's file is checked, set aside when damaged, and migrated.

A file that is not ours is left alone.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import RefusedError
from controller.figures import MeanSample
from controller.logbook import keeper as keeper_module
from controller.logbook import schema as schema
from controller.logbook.bath_reader import BathReader
from controller.logbook.health import advice
from controller.logbook.keeper import StoreKeeper
from controller.logbook.store import open_store
from controller.messages import RunState
from controller.texts import Message
from hardware.clock import VirtualClock
from tests.kits.logbook_kit import UTC_0, ManualLogbook, changed, checkpoint, mean

S = RunState


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    yield manual
    manual.logbook.finish()


# --- start ----------------------------------------------------------------------------------------


def test_not_ready_until_checked(manual: ManualLogbook) -> None:
    assert not manual.logbook.is_ready()
    assert str(manual.logbook.health().message) == "The logbook is being checked."
    why = manual.logbook.why_not_ready()
    assert why is not None
    assert str(why) == "No run can be started yet: The logbook is being checked."
    manual.logbook.work()
    assert manual.logbook.is_ready()
    assert manual.logbook.why_not_ready() is None
    assert manual.logbook.health().message is None


@pytest.mark.parametrize("wal_left", [False, True], ids=["closed", "with its log"])
@pytest.mark.parametrize("damage", ["header", "middle", "truncated", "not a database"])
def test_damaged_file_is_set_aside(tmp_path: Path, damage: str, wal_left: bool) -> None:
    """A damaged file is set aside, and a new one is begun."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    manual.write(*(mean(i) for i in range(2000)))
    manual.logbook.finish()
    content = bytearray(manual.path.read_bytes())
    if damage == "header":
        content[:100] = random.Random(1).randbytes(100)
    elif damage == "middle":
        content[20 * 1024 : 40 * 1024] = random.Random(2).randbytes(20 * 1024)
    elif damage == "truncated":
        del content[len(content) // 2 :]
    else:
        content[:] = b"once a shopping list\n" * 200
    manual.path.write_bytes(content)
    if wal_left:
        manual.path.with_name("log.sqlite-wal").write_bytes(b"\x00" * 4152)
    again = ManualLogbook(manual.path, manual.clock)
    again.logbook.work()
    again.logbook.work()
    aside = tmp_path / f"log-damaged-{manual.clock.utc_now():%Y%m%dT%H%M%SZ}.sqlite"
    assert aside.read_bytes() == bytes(content)
    notice = again.logbook.notice
    assert notice is not None
    assert aside.name in str(notice)
    assert again.logbook.health().notice == notice
    assert again.logbook.is_ready()
    assert again.reader.list_runs().runs == ()
    (event,) = again.reader.events(None)
    assert event.text == str(notice)
    again.begin("r2")
    assert again.reader.run("r2").summary.state is S.RUNNING
    again.logbook.finish()


def test_damaged_files_get_own_names(tmp_path: Path) -> None:
    """Two damaged files in one second get two names and take their logs along."""
    names = []
    for i in range(2):
        for companion in ("", "-wal", "-shm"):
            (tmp_path / f"log.sqlite{companion}").write_text(f"{companion} {i}")
        names.append(schema.set_aside(tmp_path / "log.sqlite", UTC_0).name)
    assert names == ["log-damaged-20310304T100000Z.sqlite", "log-damaged-20310304T100000Z-2.sqlite"]
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        f"{name}{companion}": f"{companion} {i}"
        for i, name in enumerate(names)
        for companion in ("", "-wal", "-shm")
    }


def test_run_outlives_damaged_file(manual: ManualLogbook) -> None:
    """Damage in the middle of a run costs the file and not the run."""
    manual.begin("r0")
    manual.write(changed("r0", S.FINISHED, 750.0))
    manual.begin()
    manual.write(*(mean(i) for i in range(500)))
    store = manual.logbook._keeper._store
    assert store is not None
    store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    with manual.path.open("r+b") as file:
        for page in range(1, manual.path.stat().st_size // schema.PAGE_BYTES):
            file.seek(page * schema.PAGE_BYTES)
            file.write(b"\xff" * schema.PAGE_BYTES)
    store.connection.execute("PRAGMA cache_size = 0")
    store.connection.execute("PRAGMA shrink_memory")
    manual.put(checkpoint("r1", 90.0), mean(501))
    manual.logbook.work()
    message = manual.logbook.health().message
    assert message is not None
    assert message.key == "logbook.trouble.damaged"
    manual.retry()
    manual.retry()
    summary = manual.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs, summary.piece) == (
        S.RUNNING,
        90.0,
        "leaf pendant",
    )
    assert [row.elapsed_s for row in manual.means()] == [501]
    assert [run.run_id for run in manual.reader.list_runs().runs] == ["r1"], (
        "a run that was over does not come back as running"
    )
    assert manual.logbook.notice is not None
    assert manual.logbook.health().lost == 0


def test_damaged_files_are_limited(manual: ManualLogbook, tmp_path: Path) -> None:
    """A card that damages every file is not filled with damaged files."""
    for _ in range(6):
        manual.begin(f"r{random.Random(3).random()}")
        manual.logbook._keeper.let_go(
            schema.LogbookDamagedError("logbook.file.check_found", findings="page 7 is nonsense")
        )
        manual.retry()
        if manual.logbook.health().message:
            break
    assert len(list(tmp_path.glob("log-damaged-*.sqlite"))) == 3
    message = manual.logbook.health().message
    assert message is not None
    assert "Replace the card" in str(message)


def test_newer_file_is_left_alone(manual: ManualLogbook) -> None:
    """A file of a newer version is refused and not changed."""
    manual.begin()
    manual.logbook.finish()
    with closing(sqlite3.connect(manual.path)) as connection:
        connection.execute("PRAGMA user_version = 99")
        connection.commit()
    before = manual.path.read_bytes()
    newer = ManualLogbook(manual.path, manual.clock)
    newer.logbook.work()
    assert not newer.logbook.is_ready()
    why = newer.logbook.why_not_ready()
    assert why is not None
    (cause,) = why.values.values()
    assert isinstance(cause, Message)
    newest = len(schema.MIGRATIONS)
    assert cause.key == "logbook.file.newer"
    assert (cause.values["version"], cause.values["newest"]) == (99, newest)
    newer.logbook.finish()
    assert manual.path.read_bytes() == before
    assert list(manual.path.parent.glob("*damaged*")) == []
    with pytest.raises(RefusedError, match="version 99"):
        newer.reader.list_runs()


def test_foreign_database_is_left_alone(tmp_path: Path) -> None:
    """The database of another program is refused and not changed."""
    path = tmp_path / "recipes.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE soup (name TEXT)")
        connection.commit()
    before = path.read_bytes()
    manual = ManualLogbook(path)
    manual.logbook.work()
    assert not manual.logbook.is_ready()
    assert "the database of another program" in str(manual.logbook.why_not_ready())
    manual.logbook.finish()
    assert path.read_bytes() == before


def test_second_process_is_refused(manual: ManualLogbook) -> None:
    """A second process on the same file is refused until the first one ends."""
    manual.begin()
    second = ManualLogbook(manual.path)
    second.logbook.work()
    assert not second.logbook.is_ready()
    assert "Another biteclock" in str(second.logbook.why_not_ready())
    assert manual.reader.run("r1").summary.state is S.RUNNING, (
        "its run is not taken for a crashed one"
    )
    manual.logbook.finish()
    second.retry()
    assert second.logbook.is_ready()
    second.logbook.finish()


def test_check_can_be_interrupted(manual: ManualLogbook) -> None:
    """The check gives up when the program ends."""
    manual.begin()
    manual.write(*(mean(i) for i in range(14_000)))
    manual.logbook.finish()
    with pytest.raises(sqlite3.OperationalError, match="interrupted"):
        open_store(manual.path, "boot", lambda: True, should_check=True, busy_timeout_s=0.0)


# --- versions -------------------------------------------------------------------------------------


_VATS = """
CREATE TABLE vats (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO vats (name) SELECT DISTINCT bath FROM runs WHERE bath IS NOT NULL;
ALTER TABLE runs ADD COLUMN vat_number INTEGER REFERENCES vats (number);
UPDATE runs SET vat_number = (SELECT number FROM vats WHERE name = bath);
"""


def test_migration_keeps_the_runs(manual: ManualLogbook) -> None:
    """An older file is migrated with its runs."""
    manual.begin()
    manual.logbook.finish()
    with closing(schema.connect(manual.path, 0.0)) as connection:
        version = schema.identify(connection, manual.path)
        schema.migrate(connection, version, (*schema.MIGRATIONS, _VATS))
        assert connection.execute("PRAGMA user_version").fetchone()[0] == version + 1
        rows = connection.execute(
            "SELECT r.id, b.name FROM runs r JOIN vats b ON b.number = r.vat_number"
        ).fetchall()
        assert rows == [("r1", "bath 2")]
        with pytest.raises(RefusedError, match="version"):
            schema.identify(connection, manual.path)


def test_failed_migration_changes_nothing(manual: ManualLogbook) -> None:
    """A migration that fails leaves the file as it was."""
    manual.begin()
    manual.logbook.finish()
    with closing(schema.connect(manual.path, 0.0)) as connection:
        version = schema.identify(connection, manual.path)
        with pytest.raises(sqlite3.OperationalError, match="no such table"):
            schema.migrate(
                connection, version, (*schema.MIGRATIONS, _VATS + "INSERT INTO nowhere VALUES (1);")
            )
        assert schema.identify(connection, manual.path) == version
        assert (
            connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'vats'").fetchone()[
                0
            ]
            == 0
        )


def test_version_1_is_unchanged() -> None:
    """Released scripts never change.

    A file made by hand from the tables of the first release must go on working.
    """
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(schema.MIGRATIONS[0])
        columns = {
            table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            for table in ("runs", "progress", "events", "means", "raws", "papers", "boots")
        }
    assert columns["means"] == [
        "run", "elapsed_s", "on_time_ms", "current_ua", "voltage_uv", "charge_mc", "depth_nm",
        "bath_mdegc",
    ]  # fmt: skip
    assert {name: len(names) for name, names in columns.items()} == {
        "runs": 11, "progress": 15, "events": 9, "means": 8, "raws": 6, "papers": 3, "boots": 2
    }  # fmt: skip


# --- what a check finds, and where no logbook can be ----------------------------------------------


def test_silent_damage_is_found(tmp_path: Path) -> None:
    """Rows that break a rule of their table raise no error; SQLite's quick_check names them."""
    path = tmp_path / "log.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE means (charge REAL)")
        connection.execute("INSERT INTO means VALUES (NULL)")
        connection.commit()
        schema.check(connection, lambda: False)
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_master SET sql = 'CREATE TABLE means (charge REAL NOT NULL)'"
        )
        connection.commit()
    with (
        closing(sqlite3.connect(path)) as connection,
        pytest.raises(schema.LogbookDamagedError, match="NULL value in means"),
    ):
        schema.check(connection, lambda: False)


def test_missing_write_ahead_log_refused() -> None:
    """In memory SQLite has no such log, as on file systems without shared memory."""
    with closing(sqlite3.connect(":memory:")) as connection:
        with pytest.raises(RefusedError, match="cannot hold a write-ahead log") as refused:
            schema.migrate(connection, 0)
        assert refused.value.field == "logbook.path"
        assert connection.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,), (
            "nothing was created"
        )


def test_failed_recovery_closes_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise each try would leave a connection open, with its locks."""
    seen: list[sqlite3.Connection] = []

    def fails(connection: sqlite3.Connection, *_: object, **__: object) -> None:
        seen.append(connection)
        raise sqlite3.OperationalError("disk I/O error")

    keeper = StoreKeeper(tmp_path / "log.sqlite", VirtualClock(UTC_0), lambda: False, 0.0)
    with monkeypatch.context() as patch:
        patch.setattr(keeper_module, "recover", fails)
        with pytest.raises(sqlite3.OperationalError):
            keeper.open(has_newer_run=False)
    assert not keeper.is_open
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        seen[0].execute("SELECT 1")
    keeper.open(has_newer_run=False)
    assert keeper.is_open
    keeper.close()


def test_failing_disk_states_free_space(tmp_path: Path) -> None:
    """The message states the free space.

    SQLite's extended codes name the call that failed, and the lowest byte is the kind.
    Source: sqlite.org/rescode.html.
    """
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_WRITE
    message = advice(error, tmp_path / "log.sqlite")
    assert message.key == "logbook.trouble.disk"
    assert "the disk failed (disk I/O error) with" in str(message)
    assert "MB free" in str(message)


_RUN_OF_AN_OLD_FILE = """
INSERT INTO boots VALUES (1, 'an earlier boot');
INSERT INTO papers VALUES (1, x'01', '{"area_mm2":767.0}'), (2, x'02', '{"poll_s":0.02}');
INSERT INTO runs VALUES (1, 'r1', 'leaf pendant', 'fine-silver', 'bath 2',
    '2031-03-04T10:00:00.000Z', 0.25, 3.0, 1, 2, 'leaf pendant fine-silver bath 2');
INSERT INTO progress VALUES (1, 'paused', NULL, 'Lifted.', NULL, 1, 1030.0, 30.0, 29.0, 90.0,
    1.5, 3.0, 0.02, 0.01, 0.03%s);
INSERT INTO means VALUES (1, 7, 7970, 3000001, 2500000, 23250, 3000, 25100);
"""


@pytest.mark.parametrize("version", [1, 2, 3, 4])
def test_older_files_open(tmp_path: Path, version: int) -> None:
    """A file of each released version keeps its runs, and they can be resumed and written to.

    The rows are written by hand, by the order of the columns in the first release.
    """
    path = tmp_path / "log.sqlite"
    with closing(schema.connect(path, 0.0)) as connection:
        schema.migrate(connection, 0, schema.MIGRATIONS[:version])
        connection.executescript(_RUN_OF_AN_OLD_FILE % (", 0.9" if version > 3 else ""))
    again = ManualLogbook(path, VirtualClock(UTC_0))
    again.logbook.work()
    assert again.ask("PRAGMA user_version") == len(schema.MIGRATIONS)
    record = again.logbook.interrupted
    assert record is not None
    assert record.kept is None
    assert (record.summary.piece, record.plan) == ("leaf pendant", {"area_mm2": 767.0})
    progress = record.summary.progress
    assert (progress.elapsed_s, progress.on_time_s, progress.charge_coulombs) == (30.0, 29.0, 90.0)
    assert progress.uncertain_charge_coulombs == 1.5
    assert (progress.depth_low_mm, progress.depth_mm, progress.depth_high_mm) == (0.01, 0.02, 0.03)
    assert again.means() == [MeanSample(7, 7.97, 3.000001, 2.5, 23.25, 0.003, 25.1)]
    again.write(replace(checkpoint("r1", 93.0), kept={"stretches": 1}))
    assert again.reader.run("r1").kept == {"stretches": 1}
    assert again.reader.run("r1").summary.progress.charge_coulombs == 93.0
    again.logbook.finish()


def test_version_3_adds_one_table() -> None:
    """Released scripts never change."""
    with closing(sqlite3.connect(":memory:")) as connection:
        for script in schema.MIGRATIONS[:3]:
            connection.executescript(script)
        columns = [row[1] for row in connection.execute("PRAGMA table_info(checkpoints)")]
    assert columns == ["run", "body"]


_BATH_OF_AN_OLD_FILE = """
INSERT INTO baths VALUES (1, 'tank 1', 'copper', 'nitric acid, 1 in 10', 1.5, '2031-03-01', 'old',
    0, '2031-03-01T08:00:00.000Z');
"""


@pytest.mark.parametrize("version", [2, 3])
def test_older_baths_have_no_card(tmp_path: Path, version: int) -> None:
    """A bath of an earlier version is kept; its acid is unknown until a person describes it."""
    path = tmp_path / "log.sqlite"
    with closing(schema.connect(path, 0.0)) as connection:
        schema.migrate(connection, 0, schema.MIGRATIONS[:version])
        connection.executescript(_BATH_OF_AN_OLD_FILE)
    again = ManualLogbook(path, VirtualClock(UTC_0))
    again.logbook.work()
    (bath,) = BathReader(again.reader).baths()
    assert (bath.name, bath.volume_l, bath.note) == ("tank 1", 1.5, "old")
    assert bath.water_parts is bath.usual_degc is bath.attack_um_per_min is None
    carded = replace(
        bath,
        water_parts=10.0,
        bottle_percent=65.0,
        usual_degc=22.0,
        attack_um_per_min=0.15,
        attack_sd_ln=0.2,
        attack_degc=21.0,
        attack_weighed_at_utc=UTC_0,
    )
    again.write(carded)
    assert BathReader(again.reader).baths() == (carded,)
    again.logbook.finish()
