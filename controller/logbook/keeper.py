"""Opens and checks the logbook file.

It renames a damaged file and begins a new one with the runs that are not over.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from controller.figures import values_of
from controller.logbook.entries import Entry, RunBegan, RunFacts, StateChanged, is_unfinished
from controller.logbook.reader import RunRecord
from controller.logbook.recovery import recover
from controller.logbook.schema import LogbookDamagedError, is_damage, set_aside
from controller.logbook.store import Store, open_store
from controller.messages import Event, EventKind
from controller.ports import Clock
from controller.texts import Message, Value, text

MAX_SET_ASIDE = 3
"""Damaged files that one process renames. A card that damages each new one must be replaced."""

_KEEPS_FILE = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


class StoreKeeper:
    """The store of one logbook, opened again where needed. Used by one thread.

    :param should_stop: called during the check at start; True ends the check.
    """

    def __init__(
        self, path: Path, clock: Clock, should_stop: Callable[[], bool], busy_timeout_s: float
    ) -> None:
        self._path = path
        self._clock = clock
        self._should_stop = should_stop
        self._busy_timeout_s = busy_timeout_s
        self._store: Store | None = None
        self._damage: str | None = None
        self._first: list[Entry] = []
        self._set_aside_count = 0
        self._open_runs: dict[str, tuple[Entry, ...]] = {}
        self.was_opened = False
        self.last_run_number = 0
        self.notice: Message | None = None
        self.interrupted: RunRecord | None = None

    @property
    def is_open(self) -> bool:
        """Whether there is a file to write to."""
        return self._store is not None

    def open(self, *, has_newer_run: bool) -> list[Entry]:
        """Open the file and return what must be written to it first.

        The first opening checks the whole file and the unfinished runs of earlier processes.
        :param has_newer_run: this process has begun a run, so that no older one can be resumed.
        Raises: RefusedError when the file must not be touched, OSError or sqlite3.Error when the
            disk refuses.
        """
        store = self._open_sound()
        if store is None:
            self._set_aside()
            store = self._open_store(should_check=False)
        try:
            if not self.was_opened:
                recovery = recover(store.connection, self._clock, has_newer_run=has_newer_run)
                self.last_run_number = store.last_run_number()
                self.interrupted = recovery.interrupted
                if recovery.interrupted is not None:
                    self._remember(_began_again(recovery.interrupted, self._clock.monotonic_s()))
                self._first += recovery.entries
                if store.log.is_missing:
                    self._notice_missing_log(store)
        except BaseException:
            store.close()
            raise
        self._store = store
        self.was_opened = True
        first, self._first = self._first, []
        return first

    def write(self, batch: Sequence[Entry]) -> list[Message]:
        """Write the batch as one transaction; return why for each refused entry.

        Raises: OSError or sqlite3.Error; then nothing was written. Call ``let_go`` with the error.
        """
        if self._store is None:
            raise OSError(text("logbook.trouble.not_open", file=self._path))
        notes = self._store.write(batch)
        for entry in batch:
            self._remember(entry)
        return notes

    def fold_log(self) -> None:
        """Fold the log into the file while no run is under way, so that a plain copy is whole.

        During a run the log stays as it is: folding it in every second would wear the card out.
        """
        if self._store is not None and not self._open_runs:
            self._store.log.fold()

    def let_go(self, error: BaseException) -> None:
        """Close the file where ``error`` shows that it is damaged or gone."""
        if is_damage(error):
            self._damage = str(error)
        code = getattr(error, "sqlite_errorcode", None)
        if not (isinstance(code, int) and code & 0xFF in _KEEPS_FILE):
            self.close()

    def close(self) -> None:
        """Close the file."""
        store, self._store = self._store, None
        if store is not None:
            store.close()

    def _open_store(self, *, should_check: bool) -> Store:
        return open_store(
            self._path,
            self._clock.boot_id(),
            self._should_stop,
            should_check=should_check,
            busy_timeout_s=self._busy_timeout_s,
        )

    def _open_sound(self) -> Store | None:
        """Return the store, or None when the file is damaged."""
        if self._damage is not None:
            return None
        try:
            return self._open_store(should_check=not self.was_opened)
        except (sqlite3.Error, LogbookDamagedError) as error:
            if not is_damage(error):
                raise
            self._damage = str(error)
            return None

    def _set_aside(self) -> None:
        """Rename the damaged file; write the open runs and a note first into the new one."""
        if self._set_aside_count >= MAX_SET_ASIDE:
            raise LogbookDamagedError(
                "logbook.file.set_aside_too_often",
                problem=self._damage or "",
                files=MAX_SET_ASIDE,
            )
        at_utc = self._clock.utc_now()
        target = set_aside(self._path, at_utc)
        damage = self._damage or ""
        values: dict[str, Value] = {"file": self._path, "problem": damage, "renamed": target.name}
        self.notice = Message("logbook.file.set_aside", values)
        self._set_aside_count += 1
        self._damage = None
        self._first = [entry for entries in self._open_runs.values() for entry in entries]
        self._first.append(
            Event(None, self._clock.monotonic_s(), at_utc, EventKind.WARNING, str(self.notice))
        )

    def _notice_missing_log(self, store: Store) -> None:
        """Say what a file that was copied or moved without its log may lack."""
        newest_at_utc = store.log.newest_at_utc()
        file, log = self._path, f"{self._path.name}-wal"
        if newest_at_utc is None:
            self.notice = Message("logbook.file.log_missing_all", {"file": file, "log": log})
        else:
            self.notice = Message(
                "logbook.file.log_missing",
                {"file": file, "log": log, "newest_at_utc": newest_at_utc},
            )
        now_s, at_utc = self._clock.monotonic_s(), self._clock.utc_now()
        self._first.append(Event(None, now_s, at_utc, EventKind.WARNING, str(self.notice)))

    def _remember(self, entry: Entry) -> None:
        """Keep the entries with which a new file can continue the unfinished runs."""
        if isinstance(entry, RunBegan):
            self._open_runs[entry.run_id] = (entry,)
        elif isinstance(entry, StateChanged) and entry.run_id in self._open_runs:
            if is_unfinished(entry.state, entry.reason):
                self._open_runs[entry.run_id] = (self._open_runs[entry.run_id][0], entry)
            else:
                del self._open_runs[entry.run_id]


def _began_again(record: RunRecord, at_s: float) -> RunBegan:
    """Return the run of a record as it was begun, for a new file."""
    return RunBegan(
        **values_of(record.summary, RunFacts),
        started_at_utc=datetime.fromisoformat(record.summary.started_at_utc),
        at_s=at_s,
        plan=record.plan,
        settings=record.settings,
    )
