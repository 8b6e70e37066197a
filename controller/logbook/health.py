"""How the logbook is, and what to do when it cannot write: words for a person."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from controller.logbook.schema import LogbookDamagedError

STUCK_AFTER_S = 5.0
"""A write that takes longer than this, s, is told as a failing card: cards pause for a second or two, not for five."""


@dataclass(frozen=True, slots=True)
class LogbookHealth:
    """How the logbook is.

    :param ready: the check at start is over: runs may be begun, also while writing fails.
    :param failing_since_at_s: monotonic time since when nothing could be written, or None while all is well.
    :param failing_since_at_utc: the same as a label.
    :param message: what is wrong and what to do, or what is going on at start, or None.
    :param notice: what a person should know once, such as a file that was set aside, or None.
    :param lost: rows that were not and will not be kept, of this process.
    :param lost_note: the newest reason for a loss, or None.
    :param waiting: rows that wait to be written.
    :param kept_run_id: the newest run that is in the file, of this process, or the one that an earlier one left; or None.
    """

    ready: bool
    failing_since_at_s: float | None
    failing_since_at_utc: datetime | None
    message: str | None
    notice: str | None
    lost: int
    lost_note: str | None
    waiting: int
    kept_run_id: str | None = None


def stuck_message(path: Path, stuck_s: float) -> str:
    """Return what to say of a write that does not come back."""
    return (
        f"the disk has not answered for {stuck_s:.0f} s while the logbook {path} was written (limit {STUCK_AFTER_S:.0f} s): "
        "the run goes on; replace the card after it"
    )


def advice(error: BaseException, path: Path) -> str:
    """Return what went wrong with the logbook at ``path`` and what to do."""
    what, remedy = _judge(error, path)
    return f"the logbook {path} cannot be written: {what}. {remedy}; entries wait in memory and writing is tried again"


def _judge(error: BaseException, path: Path) -> tuple[str, str]:
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    if primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or isinstance(
        error, LogbookDamagedError
    ):
        return f"it is damaged ({error})", "Replace the card"
    if primary == sqlite3.SQLITE_FULL:
        return f"no room is left ({_free(path)})", f"Free space in {path.parent}"
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "another program holds it for writing", "Close that program"
    if primary in (
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_PERM,
    ) or isinstance(error, OSError):
        return (
            f"{error}",
            f"See that {path.parent} exists, belongs to the service's user and is not on a card that went read-only",
        )
    if primary == sqlite3.SQLITE_IOERR:
        return (
            f"the disk failed ({error}; {_free(path)})",
            "Free space if there is little, else replace the card",
        )
    return f"{type(error).__name__}: {error}", "Tell the makers, this is a fault of the program"


def _free(path: Path) -> str:
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return "free space unknown"
    return f"{disk.f_bavail * disk.f_frsize / 1e6:.1f} MB free"
