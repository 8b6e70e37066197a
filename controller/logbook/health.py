"""The health of the logbook, and what to do when it cannot write."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from controller.logbook.schema import LogbookDamagedError
from controller.texts import Message

_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_LOCKED = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_NO_ACCESS = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM)

STUCK_AFTER_S = 5.0
"""A write that takes longer than this, s, means a failing card. Sound cards pause for a second or
two."""


@dataclass(frozen=True, slots=True)
class LogbookHealth:
    """The health of the logbook.

    :param ready: the check at start is over. Runs may begin, even while writing fails.
    :param failing_since_at_s: monotonic time of the first failed write, or None while writing
        works.
    :param failing_since_at_utc: the same moment as wall time, a label only.
    :param message: the problem and its remedy, or the progress of the check at start, or None.
    :param notice: what a person should know once, such as a damaged file, or None.
    :param lost: rows of this process that could not be kept.
    :param lost_note: the newest reason for a loss, or None.
    :param waiting: rows that wait to be written.
    :param kept_run_id: the newest run of this process that is in the file, else the run that an
        earlier process left, or None.
    """

    ready: bool
    failing_since_at_s: float | None
    failing_since_at_utc: datetime | None
    message: Message | None
    notice: Message | None
    lost: int
    lost_note: Message | None
    waiting: int
    kept_run_id: str | None = None


def stuck_message(path: Path, stuck_s: float) -> Message:
    """Return the message about a write that does not return."""
    return Message(
        "logbook.trouble.stuck", {"stuck_s": stuck_s, "file": path, "limit_s": STUCK_AFTER_S}
    )


def advice(error: BaseException, path: Path) -> Message:
    """Return what went wrong with the logbook at ``path`` and what to do."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    problem = str(error)
    if primary in _DAMAGED or isinstance(error, LogbookDamagedError):
        return Message("logbook.trouble.damaged", {"file": path, "problem": problem})
    if primary == sqlite3.SQLITE_FULL:
        free_mb = _free_mb(path)
        if free_mb is None:
            return Message("logbook.trouble.full_unknown", {"file": path, "folder": path.parent})
        return Message(
            "logbook.trouble.full", {"file": path, "folder": path.parent, "free_mb": free_mb}
        )
    if primary in _LOCKED:
        return Message("logbook.trouble.locked", {"file": path})
    if primary in _NO_ACCESS or isinstance(error, OSError):
        return Message(
            "logbook.trouble.no_access", {"file": path, "problem": problem, "folder": path.parent}
        )
    if primary == sqlite3.SQLITE_IOERR:
        free_mb = _free_mb(path)
        if free_mb is None:
            return Message("logbook.trouble.disk_unknown", {"file": path, "problem": problem})
        return Message(
            "logbook.trouble.disk", {"file": path, "problem": problem, "free_mb": free_mb}
        )
    kind = type(error).__name__
    return Message("logbook.trouble.fault", {"file": path, "kind": kind, "problem": problem})


def _free_mb(path: Path) -> float | None:
    """Return the free space beside the file, MB, or None when unknown."""
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return None
    return disk.f_bavail * disk.f_frsize / 1e6
