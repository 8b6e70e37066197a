"""Writes to the logbook file: one batch, one transaction. Used by one thread at a time."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from controller.errors import RefusedError
from controller.logbook import schema as schema
from controller.logbook.entries import Entry
from controller.logbook.live_log import LiveLog, has_log
from controller.logbook.row_writer import RowWriter
from controller.texts import Message


def _is_about_the_file(error: Exception) -> bool:
    """Return whether the disk or the file failed, not the entry. Then the batch is tried again."""
    if isinstance(error, sqlite3.OperationalError | sqlite3.InternalError | OSError | MemoryError):
        return True
    return schema.is_damage(error)


def open_store(
    path: Path,
    boot_id: str,
    should_stop: Callable[[], bool],
    *,
    should_check: bool,
    busy_timeout_s: float,
) -> Store:
    """Return the logbook at ``path``, of the present version and claimed for this process.

    :param path: the file; its directory must exist.
    :param boot_id: names this boot, stored with every monotonic time.
    :param should_stop: called during the check; True ends it.
    :param should_check: read the whole file to find damage, which may take long.
    :param busy_timeout_s: how long to wait for another program that writes to the file.
    Raises: RefusedError when the file must not be touched, LogbookDamagedError or
        sqlite3.DatabaseError (``is_damage``) when it is damaged, OSError or sqlite3.Error when the
        disk refuses.
    """
    claim = claim_file(path)
    try:
        had_log = has_log(path)
        connection = schema.connect(path, busy_timeout_s)
        try:
            version = schema.identify(connection, path)
            if should_check:
                schema.check(connection, should_stop)
            schema.migrate(connection, version)
            log = LiveLog(connection, had_log=had_log, busy_timeout_s=busy_timeout_s)
        except BaseException:
            connection.close()
            raise
    except BaseException:
        os.close(claim)
        raise
    return Store(connection, claim, boot_id, log)


def claim_file(path: Path) -> int:
    """Return the descriptor of a lock file, which the kernel frees when the process ends.

    Raises: RefusedError when another process has the logbook, OSError.
    """
    claim = os.open(
        path.with_name(path.name + "-lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600
    )
    try:
        fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(claim)
        raise RefusedError("logbook.file.in_use", field="logbook.path", file=path) from None
    return claim


def _refused(entry: Entry, error: Exception) -> Message:
    kind, problem = type(entry).__name__, str(error)
    if entry.run_id is None:
        return Message("logbook.lost.refused_rig", {"kind": kind, "problem": problem})
    values = {"kind": kind, "run": entry.run_id, "problem": problem}
    return Message("logbook.lost.refused", values)


class Store:
    """An open logbook file; made by ``open_store``."""

    def __init__(
        self, connection: sqlite3.Connection, claim: int, boot_id: str, log: LiveLog
    ) -> None:
        self.connection = connection
        self.log = log
        self._claim = claim
        self._rows = RowWriter(connection, boot_id)

    def write(self, batch: Iterable[Entry]) -> list[Message]:
        """Write the batch as one transaction. It is on the disk when this returns.

        Returns the reason for each refused entry. A refused entry can never be kept: it holds NaN
        or names an unknown run.
        Raises: sqlite3.Error or OSError when the file cannot be written; nothing was written then.
        """
        notes: list[Message] = []
        with suppress(sqlite3.OperationalError):  # the rows matter more than the mark
            self.log.mark()
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            for entry in batch:
                try:
                    self._rows.write(entry)
                except Exception as error:
                    if _is_about_the_file(error):
                        raise
                    notes.append(_refused(entry, error))
            self.connection.execute("COMMIT")
        except BaseException:
            self._rows.forget()
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise
        return notes

    def last_run_number(self) -> int:
        """Return the number of the newest run, or 0 without runs."""
        return int(
            self.connection.execute("SELECT coalesce(max(number), 0) FROM runs").fetchone()[0]
        )

    def close(self) -> None:
        """Close the file and give up the claim."""
        try:
            with suppress(sqlite3.Error):  # SQLite folds the log in when the last one closes
                self.log.unmark()
            self.connection.close()
        finally:
            os.close(self._claim)
