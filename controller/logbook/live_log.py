"""Marks the file while its newest rows are in the log beside it, and folds the log in.

SQLite keeps new rows in a second file, the write-ahead log, until they are folded in. A copy of the
first file alone lacks them and looks whole. So the file carries a mark while the log is in use. The
mark is in the first file before the first row is in the log, and leaves it when the log has been
folded in. A file that has the mark and no log beside it was copied or moved without its log.

Source: sqlite.org/wal.html, sections 2.1 and 4.
"""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from pathlib import Path

# Not part of a version of the schema: an older program does not know the table and leaves it alone,
# so a file that was marked once can still go back to it.
_TABLE = """
CREATE TABLE IF NOT EXISTS live_log (
    number INTEGER PRIMARY KEY CHECK (number = 1),
    is_live INTEGER NOT NULL
) STRICT;
INSERT OR IGNORE INTO live_log (number, is_live) VALUES (1, 0);
"""


def has_log(path: Path) -> bool:
    """Return whether a log with rows is beside the file. Ask before the file is opened."""
    try:
        return path.with_name(path.name + "-wal").stat().st_size > 0
    except FileNotFoundError:
        return False


class LiveLog:
    """The log of an open logbook, and the mark.

    :param connection: set up for writing.
    :param had_log: what ``has_log`` returned before the file was opened.
    :param busy_timeout_s: how long the connection waits for others; folding does not wait.
    """

    def __init__(
        self, connection: sqlite3.Connection, *, had_log: bool, busy_timeout_s: float
    ) -> None:
        self._connection = connection
        self._busy_timeout_ms = round(1e3 * busy_timeout_s)
        connection.executescript(f"BEGIN IMMEDIATE; {_TABLE} COMMIT;")
        marked = connection.execute("SELECT is_live FROM live_log").fetchone()[0]
        self.is_missing = bool(marked) and not had_log
        self._is_marked = False
        self._is_folded = False

    def newest_at_utc(self) -> str | None:
        """Return the time of the newest record in the file, or None without records."""
        times = "SELECT at_utc AS t FROM events UNION ALL SELECT started_at_utc FROM runs"
        newest = self._connection.execute(f"SELECT max(t) FROM ({times})").fetchone()[0]  # noqa: S608
        return None if newest is None else str(newest)

    def mark(self) -> None:
        """Put the mark into the first file. Call before rows are written."""
        self._is_folded = False
        if self._is_marked:
            return
        self._connection.execute("UPDATE live_log SET is_live = 1")
        _, frames, folded = self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        self._is_marked = frames == folded  # else a reader is in the way: again at the next write

    def fold(self) -> None:
        """Fold the log in and take the mark away, unless a reader is in the way now."""
        if self._is_folded:
            return
        self._connection.execute("PRAGMA busy_timeout = 0")
        try:
            with suppress(sqlite3.OperationalError):  # busy or full: the next call tries again
                self.unmark()
                busy = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
                self._is_folded = not busy
                self._is_marked = self._is_marked and bool(busy)
        finally:
            self._connection.execute(f"PRAGMA busy_timeout = {self._busy_timeout_ms}")

    def unmark(self) -> None:
        """Take the mark away in the log, so that it goes when the log is folded in."""
        self._connection.execute("UPDATE live_log SET is_live = 0")
