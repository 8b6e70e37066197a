"""The logbook: a bounded queue in front of an SQLite file. Nobody waits for the disk."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from controller.errors import RefusedError
from controller.logbook.entries import Entry, RunBegan
from controller.logbook.health import STUCK_AFTER_S, LogbookHealth, advice, stuck_message
from controller.logbook.keeper import StoreKeeper
from controller.logbook.reader import LogbookFullError, RunRecord
from controller.logbook.waiting_room import WaitingRoom, is_urgent
from controller.messages import Event, EventKind
from controller.ports import Clock
from controller.texts import Message, Value

SAMPLES_EVERY_S = 10.0
"""How long means and raw samples wait to be written together, s. A crash may lose this much."""

RETRY_AFTER_S = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
"""Waits between tries while writing fails, s: short for a passing lock, long for a full card."""

LAST_WRITES = 3
"""Writes at the end: the entries that a failure held back, later ones, and the outage itself."""

IDLE_WAIT_S = 60.0
"""Longest wait of the thread, s. A new entry wakes it."""


class Logbook:
    """Keeps runs, events and samples.

    The loop calls ``put``; one thread calls ``work`` (see LogbookThread). States, checkpoints and
    events are written at once. Means and raw samples are written every SAMPLES_EVERY_S and at the
    end. Each write is one transaction, on the disk before the next begins. While writing fails,
    entries wait in a bounded queue and are tried again. The queue reserves room for the newest
    state and checkpoint of each run.

    :param path: the file; its directory must exist.
    :param room: the queue.
    :param busy_timeout_s: how long a write waits for another program that writes to the file.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        *,
        room: WaitingRoom | None = None,
        busy_timeout_s: float = 1.0,
    ) -> None:
        self.path = path
        self._clock = clock
        self._keeper = StoreKeeper(path, clock, lambda: self._is_closing, busy_timeout_s)
        self._ready = threading.Event()
        self._changed = threading.Condition()
        # Guarded by _changed.
        self._room = WaitingRoom() if room is None else room
        self._samples_since_s: float | None = None
        self._has_begun_a_run = False
        self._is_closing = False
        self._run_count = 0
        self._kept_run_id: str | None = None
        self._lost = 0
        self._lost_before = 0
        self._lost_note: Message | None = None
        self._message: Message | None = Message("logbook.checking")
        self._failing_since: tuple[float, datetime] | None = None
        self._writing_since: tuple[float, datetime] | None = None
        # Written by the writing thread alone; others may read.
        self._urgent: list[Entry] = []
        self._samples: list[Entry] = []
        self._failures = 0
        self._retry_at_s: float | None = None

    # For the loop and for people: nothing here waits for the disk.

    def put(self, entry: Entry) -> None:
        """Take an entry, or count it as lost. Never waits for the disk and never raises."""
        with self._changed:
            try:
                refused = self._room.put(entry)
            except Exception as error:  # a bug in an entry must not reach the loop
                bug = {"kind": type(entry).__name__, "problem": str(error)}
                self.count_lost(1, Message("logbook.lost.bug", bug))
                return
            if refused:
                kind, waiting = type(entry).__name__, len(self._room)
                no_room = Message("logbook.lost.no_room", {"kind": kind, "waiting": waiting})
                self.count_lost(refused, no_room)
            else:
                self._has_taken(entry)

    def keep(self, entry: Entry) -> None:
        """Take an entry, or refuse it for a caller who can send it again. Never waits for the disk.

        Raises: LogbookFullError when there is no room. Nothing counts as lost then.
        """
        with self._changed:
            if self._room.put(entry):
                raise LogbookFullError("logbook.refused.full", waiting=len(self._room))
            self._has_taken(entry)

    def _has_taken(self, entry: Entry) -> None:
        """Wake the writing thread in time for the waiting entries. The caller holds the lock."""
        if is_urgent(entry):
            self._has_begun_a_run |= isinstance(entry, RunBegan)
            self._changed.notify()
        elif self._samples_since_s is None:
            self._samples_since_s = self._clock.monotonic_s()

    def is_ready(self) -> bool:
        """Return whether the check at start is over, so that a run may begin."""
        return self._ready.is_set()

    def why_not_ready(self) -> Message | None:
        """Return why no run may begin yet, or None when it may."""
        why = self._message or Message("logbook.checking")
        return None if self._ready.is_set() else Message("logbook.not_ready", {"why": why})

    def health(self) -> LogbookHealth:
        """Return the health of the logbook."""
        with self._changed:
            since, message = self._failing_since, self._message
            if self._writing_since is not None:
                stuck_s = self._clock.monotonic_s() - self._writing_since[0]
                if stuck_s > STUCK_AFTER_S:
                    since, message = since or self._writing_since, stuck_message(self.path, stuck_s)
            return LogbookHealth(
                ready=self._ready.is_set(),
                failing_since_at_s=None if since is None else since[0],
                failing_since_at_utc=None if since is None else since[1],
                message=message,
                notice=self._keeper.notice,
                lost=self._lost,
                lost_note=self._lost_note,
                waiting=len(self._room) + len(self._urgent) + len(self._samples),
                kept_run_id=self._kept_run_id
                or (None if self.interrupted is None else self.interrupted.summary.run_id),
            )

    @property
    def notice(self) -> Message | None:
        """A notice for people, such as a damaged file, or None."""
        return self._keeper.notice

    @property
    def interrupted(self) -> RunRecord | None:
        """The unfinished run of an earlier process, which a person may resume. Known when ready."""
        return self._keeper.interrupted

    def new_run_id(self) -> str:
        """Return an id that no other run of the logbook has: UTC to the second and a number.

        Until the file has been opened, a part of the boot's id makes it differ from the runs in the
        file.
        """
        with self._changed:
            self._run_count += 1
            stamp = f"{self._clock.utc_now().astimezone(UTC):%Y%m%d-%H%M%S}"
            boot = "" if self._keeper.was_opened else f"{self._clock.boot_id()[:6]}-"
            return f"{stamp}-{boot}{self._keeper.last_run_number + self._run_count}"

    # For the writing thread.

    def write(self, batch: Sequence[Entry]) -> None:
        """Write the batch as one transaction, which is on the disk when this returns.

        Entries that cannot be kept count as lost.
        Raises: OSError or sqlite3.Error; then nothing was written.
        """
        self._writing_since = (self._clock.monotonic_s(), self._clock.utc_now())
        try:
            notes = self._keeper.write(batch)
        finally:
            self._writing_since = None
        with self._changed:
            for note in notes:
                self.count_lost(1, note)

    def work(self) -> float:
        """Open the file if needed, write what is due, and return the wait to the next call, s."""
        now_s = self._clock.monotonic_s()
        if self._retry_at_s is not None and now_s < self._retry_at_s and not self._is_closing:
            return self._retry_at_s - now_s
        try:
            if not self._keeper.is_open:
                self._urgent = self._keeper.open(has_newer_run=self._has_begun_a_run) + self._urgent
            self._write_due()
        except Exception as error:
            return self._failed(error)
        self._succeeded()
        with self._changed:
            if self._room.has_urgent:
                return 0.0
            since_s = self._samples_since_s
        return (
            IDLE_WAIT_S
            if since_s is None
            else max(0.0, since_s + SAMPLES_EVERY_S - self._clock.monotonic_s())
        )

    def wait(self, timeout_s: float) -> bool:
        """Wait for an entry, at most ``timeout_s``; return False when the logbook must close."""
        with self._changed:
            if (
                not self._is_closing
                and timeout_s > 0.0
                and (self._retry_at_s is not None or not self._room.has_urgent)
            ):
                self._changed.wait(timeout_s)
            return not self._is_closing

    def close_soon(self) -> None:
        """Ask the writing thread to write the waiting entries and close. Safe from any thread."""
        with self._changed:
            self._is_closing = True
            self._changed.notify()

    def finish(self) -> None:
        """Try once more to write everything, and close the file. The rest counts as lost."""
        self.close_soon()
        for _ in range(LAST_WRITES):
            self.work()
            if self._retry_at_s is not None or not self.health().waiting:
                break
        with self._changed:
            left = len(self._room) + len(self._urgent) + len(self._samples)
            if left:
                why = {"why": self._message or ""}
                self.count_lost(left, Message("logbook.lost.at_end", why))
        self._keeper.close()

    def _write_due(self) -> None:
        for _ in range(2):  # first the entries that a failure held back, then newer ones
            with self._changed:
                self._urgent = self._urgent or self._room.take_urgent()
            if self._urgent:
                self.write(self._urgent)
                for entry in self._urgent:
                    if isinstance(entry, RunBegan):
                        self._kept_run_id = entry.run_id
                self._urgent = []
        with self._changed:
            since_s = self._samples_since_s
            is_due = since_s is not None and self._clock.monotonic_s() >= since_s + SAMPLES_EVERY_S
            if not self._samples and (is_due or self._is_closing):
                self._samples = self._room.take_samples()
                self._samples_since_s = None
        if self._samples:
            self.write(self._samples)
            self._samples = []

    def _failed(self, error: Exception) -> float:
        """Note the failure, close the file where needed, and return the wait to the next try, s."""
        now_s = self._clock.monotonic_s()
        wait_s = RETRY_AFTER_S[min(self._failures, len(RETRY_AFTER_S) - 1)]
        self._failures += 1
        self._retry_at_s = now_s + wait_s
        with self._changed:
            if self._failing_since is None:
                self._failing_since = (now_s, self._clock.utc_now())
                self._lost_before = self._lost
            self._message = (
                error.message if isinstance(error, RefusedError) else advice(error, self.path)
            )
        self._keeper.let_go(error)
        if not isinstance(error, RefusedError) and not self._is_closing:
            self._ready.set()
        return wait_s

    def _succeeded(self) -> None:
        """Note that writing works; record an outage that is over."""
        self._failures = 0
        self._retry_at_s = None
        with self._changed:
            if self._failing_since is not None:
                self._room.put(self._outage(self._failing_since[0]))
            self._failing_since = None
            self._message = None
        self._ready.set()
        self._keeper.fold_log()

    def _outage(self, since_s: float) -> Event:
        now_s = self._clock.monotonic_s()
        lost = self._lost - self._lost_before
        outage_s = now_s - since_s
        why = self._message or ""
        values: dict[str, Value] = {"count": lost, "outage_s": outage_s, "why": why}
        sentence = str(Message("logbook.outage", values))
        data = {"outage_s": outage_s, "lost": lost}
        return Event(None, now_s, self._clock.utc_now(), EventKind.WARNING, sentence, data=data)

    def count_lost(self, rows: int, note: Message) -> None:
        """Count rows as lost, for the health that people see."""
        with self._changed:
            self._lost, self._lost_note = self._lost + rows, note
