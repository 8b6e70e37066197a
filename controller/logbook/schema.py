"""The logbook file: its layout, and how it is opened, checked, converted and renamed."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from controller.errors import BiteclockError, RefusedError

APPLICATION_ID = 0x62636C6B
"""Marks the file as a logbook in its header, so that no other database is written to. ASCII for
"bclk"."""

PAGE_BYTES = 1024
"""Small pages: each second of a run rewrites a page of progress and two of its checkpoint. Measured
on ext4: 9 MB written per run hour and 25 MB of file system blocks. Before the checkpoints it was
5 MB and 21 MB, against 19 MB and 35 MB with pages of 4096."""

_SAMPLES = """run, elapsed_s, on_time_ms / 1e3 AS on_time_s, current_ua / 1e6 AS current_a, voltage_uv / 1e6 AS voltage_v,
    charge_mc / 1e3 AS charge_coulombs, depth_nm / 1e6 AS depth_mm, bath_mdegc / 1e3 AS bath_degc"""

# In means and raws, numbers are whole thousandths and millionths: half the bytes of floating
# point, and finer than the chip resolves. The views convert them to the units of all else.
_VERSION_1 = """
CREATE TABLE boots (number INTEGER PRIMARY KEY, boot_id TEXT NOT NULL UNIQUE) STRICT;

CREATE TABLE papers (number INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;

CREATE TABLE runs (
    number INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    piece TEXT NOT NULL,
    metal TEXT NOT NULL,
    bath TEXT,
    started_at_utc TEXT NOT NULL,
    target_depth_mm REAL,
    planned_current_a REAL NOT NULL,
    plan INTEGER NOT NULL REFERENCES papers (number),
    settings INTEGER NOT NULL REFERENCES papers (number),
    search_text TEXT NOT NULL
) STRICT;

CREATE TABLE progress (
    run INTEGER PRIMARY KEY REFERENCES runs (number),
    state TEXT NOT NULL,
    reason TEXT,
    message TEXT,
    ended_at_utc TEXT,
    boot INTEGER NOT NULL REFERENCES boots (number),
    at_s REAL NOT NULL,
    elapsed_s REAL NOT NULL,
    on_time_s REAL NOT NULL,
    charge_coulombs REAL NOT NULL,
    uncertain_charge_coulombs REAL NOT NULL,
    current_a REAL,
    depth_mm REAL,
    depth_low_mm REAL,
    depth_high_mm REAL
) STRICT;

CREATE TABLE events (
    number INTEGER PRIMARY KEY,
    run INTEGER REFERENCES runs (number),
    boot INTEGER NOT NULL REFERENCES boots (number),
    at_s REAL NOT NULL,
    at_utc TEXT NOT NULL,
    on_time_s REAL NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL,
    data TEXT
) STRICT;
CREATE INDEX events_of_run ON events (run, number);

CREATE TABLE means (
    run INTEGER NOT NULL REFERENCES runs (number),
    elapsed_s INTEGER NOT NULL,
    on_time_ms INTEGER NOT NULL,
    current_ua INTEGER NOT NULL,
    voltage_uv INTEGER NOT NULL,
    charge_mc INTEGER NOT NULL,
    depth_nm INTEGER,
    bath_mdegc INTEGER,
    PRIMARY KEY (run, elapsed_s)
) STRICT, WITHOUT ROWID;

CREATE TABLE raws (
    run INTEGER NOT NULL REFERENCES runs (number),
    elapsed_us INTEGER NOT NULL,
    current_ua INTEGER NOT NULL,
    voltage_uv INTEGER NOT NULL,
    saturated INTEGER NOT NULL,
    averaged INTEGER NOT NULL,
    PRIMARY KEY (run, elapsed_us)
) STRICT, WITHOUT ROWID;

CREATE VIEW samples AS
SELECT {samples}
FROM means;

CREATE VIEW raw_samples AS
SELECT run, elapsed_us / 1e6 AS elapsed_s, current_ua / 1e6 AS current_a, voltage_uv / 1e6 AS voltage_v, saturated, averaged
FROM raws;
""".replace("{samples}", _SAMPLES)

_VERSION_2 = """
CREATE TABLE baths (
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    metal TEXT NOT NULL,
    acid TEXT NOT NULL,
    volume_l REAL,
    made_up_on TEXT,
    note TEXT NOT NULL,
    is_retired INTEGER NOT NULL,
    saved_at_utc TEXT NOT NULL
) STRICT;
CREATE INDEX baths_by_name ON baths (name, number);

CREATE TABLE readings (
    number INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    run INTEGER NOT NULL REFERENCES runs (number),
    kind TEXT NOT NULL,
    at_utc TEXT NOT NULL,
    replaces TEXT,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX readings_of_run ON readings (run, number);

CREATE INDEX runs_by_bath ON runs (bath, number);
"""

# What a run needs to go on after a restart, as one JSON document beside its progress:
# controller/safety/checkpoint.py. A run without a row was last written by an older version.
_VERSION_3 = """
CREATE TABLE checkpoints (
    run INTEGER PRIMARY KEY REFERENCES runs (number),
    body TEXT NOT NULL
) STRICT;
"""


def add_figure(name: str, of_a_second: Sequence[str] = ()) -> str:
    """Return the script that adds a figure of ``controller/figures.py`` to the file.

    :param of_a_second: for a figure of a second, its name behind those that earlier scripts added.
    """
    script = f"ALTER TABLE progress ADD COLUMN {name} REAL;\n"
    if of_a_second:
        columns = ", ".join((_SAMPLES, *of_a_second))
        script += (
            f"ALTER TABLE means ADD COLUMN {name} REAL;\n"  # noqa: S608
            f"DROP VIEW samples;\nCREATE VIEW samples AS SELECT {columns} FROM means;\n"
        )
    return script


_VERSION_4 = add_figure("metal_left_mm")

MIGRATIONS: tuple[str, ...] = (_VERSION_1, _VERSION_2, _VERSION_3, _VERSION_4)
"""Script n brings a file of version n to n + 1. Scripts that were released are never changed."""


class LogbookDamagedError(BiteclockError, OSError):
    """The file is damaged. The message says what the check found."""


def is_damage(error: BaseException) -> bool:
    """Return whether the file is damaged or is not a database."""
    if isinstance(error, LogbookDamagedError):
        return True
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(code, int) and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def connect(path: Path, busy_timeout_s: float) -> sqlite3.Connection:
    """Return a connection to the file at ``path``. A new file belongs to its owner alone.

    Raises: OSError or sqlite3.Error.
    """
    with contextlib.suppress(FileExistsError):
        # Only a new file: closing a second descriptor would drop SQLite's locks on a used one.
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    return sqlite3.connect(
        path, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False
    )


def identify(connection: sqlite3.Connection, path: Path, newest: int = len(MIGRATIONS)) -> int:
    """Return the version of the file, 0 when it is new, without changing it.

    Raises: RefusedError for a file of a newer version or of another program.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    is_empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
    if mark != APPLICATION_ID and not (is_empty and mark == 0 and version == 0):
        raise RefusedError("logbook.file.other_program", field="logbook.path", file=path)
    if version > newest:
        raise RefusedError(
            "logbook.file.newer", field="logbook.path", file=path, version=version, newest=newest
        )
    return version


def check(connection: sqlite3.Connection, should_stop: Callable[[], bool]) -> None:
    """Read the whole file and look for damage, until ``should_stop`` (sqlite3.OperationalError).

    Raises: LogbookDamagedError.
    """
    connection.set_progress_handler(lambda: 1 if should_stop() else 0, 10_000)
    try:
        findings = [str(row[0]) for row in connection.execute("PRAGMA quick_check(3)")]
    finally:
        connection.set_progress_handler(None, 0)
    if findings != ["ok"]:
        raise LogbookDamagedError("logbook.file.check_found", findings="; ".join(findings))


def migrate(
    connection: sqlite3.Connection, version: int, migrations: Sequence[str] = MIGRATIONS
) -> None:
    """Set the file up for writing and convert it from ``version``, each step whole or not at all.

    Raises: RefusedError when the file system cannot hold it, sqlite3.Error when a step fails; the
        steps before it stay.
    """
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise RefusedError("logbook.file.no_write_ahead_log", field="logbook.path", mode=str(mode))
    for pragma in (
        "synchronous = FULL",
        "foreign_keys = ON",
        "journal_size_limit = 4000000",
        "trusted_schema = OFF",
    ):
        connection.execute(f"PRAGMA {pragma}").fetchall()
    for number in range(version, len(migrations)):
        try:
            connection.executescript(
                f"BEGIN IMMEDIATE; PRAGMA application_id = {APPLICATION_ID}; {migrations[number]};"
                f"PRAGMA user_version = {number + 1}; COMMIT;"
            )
        except BaseException:
            if connection.in_transaction:
                connection.rollback()
            raise


def set_aside(path: Path, at_utc: datetime) -> Path:
    """Rename the file and its companions to a dated name beside it and return that name.

    Raises: OSError when the directory does not allow it.
    """
    stem = f"{path.stem}-damaged-{at_utc.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    target = path.with_name(stem + path.suffix)
    again = 1
    while target.exists():
        again += 1
        target = path.with_name(f"{stem}-{again}{path.suffix}")
    for companion in ("-wal", "-shm", ""):
        source = path.with_name(path.name + companion)
        if source.exists():
            source.rename(target.with_name(target.name + companion))
    return target
