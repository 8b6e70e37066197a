"""The logbook of the campaign: its thread's work, troubles of the disk, and a check of the file."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from controller.logbook.reader import LogbookReader, UnknownRunError
from controller.messages import RunState

if TYPE_CHECKING:
    from tests.proofs.campaign.world import World

MOST_PAGES = 1073741823
"""SQLite's own limit. Source: sqlite.org/limits.html."""


class Disk:
    """Does the logbook thread's work in virtual time, and lets the disk fail for a while.

    :param world: has the logbook and its path, which change with each process.
    """

    def __init__(self, world: World) -> None:
        self._world = world
        self.due_s = world.clock.monotonic_s()
        self.stalled_until_s = self._full_until_s = self._locked_until_s = -1.0
        self._other: sqlite3.Connection | None = None

    def work(self, now_s: float) -> None:
        """Do what the logbook's thread does, when it would."""
        if 0.0 <= self._full_until_s < now_s:
            self.heal()
        if 0.0 <= self._locked_until_s < now_s:
            self.free_lock()
        if now_s >= self.stalled_until_s and (
            now_s >= self.due_s or self._world.logbook._room.has_urgent
        ):
            self.due_s = now_s + self._world.logbook.work()

    def fill(self, until_s: float) -> None:
        """Let the disk be full until then."""
        store = self._world.logbook._keeper._store
        if store is not None:
            self._full_until_s = until_s
            pages = store.connection.execute("PRAGMA page_count").fetchone()[0]
            store.connection.execute(f"PRAGMA max_page_count = {pages}")

    def heal(self) -> None:
        """Let the disk have room, and free the lock."""
        self._full_until_s = -1.0
        self.free_lock()
        store = self._world.logbook._keeper._store
        if store is not None:
            store.connection.execute(f"PRAGMA max_page_count = {MOST_PAGES}")

    def lock(self, until_s: float) -> None:
        """Let another program lock the file until then."""
        self.free_lock()
        self._other = sqlite3.connect(self._world.path, isolation_level=None, timeout=0.0)
        try:
            self._other.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            self.free_lock()
        else:
            self._locked_until_s = until_s

    def free_lock(self) -> None:
        """Let the other program free the file."""
        self._locked_until_s = -1.0
        if self._other is not None:
            self._other.close()
            self._other = None


def check_book(world: World) -> None:
    """Check that the file opens, is sound, and agrees with the run."""
    with closing(sqlite3.connect(world.path)) as connection:
        verdict = connection.execute("PRAGMA quick_check").fetchone()[0]
    must, health = world.watch.must, world.logbook.health()
    must("book", verdict == "ok", f"the logbook is not sound: {verdict}")
    run, state = world.supervisor.run, world.supervisor.state
    must("book", not health.lost, f"the logbook lost {health.lost} rows: {health.lost_note}")
    if run is None or state is RunState.IDLE:
        return
    try:
        summary = LogbookReader(world.path).run(run.run_id).summary
    except UnknownRunError as error:
        world.watch.fail("book", str(error))
        return
    finding = world.supervisor.finding
    ours = (state, finding and finding.reason)
    theirs = (summary.state, summary.reason)
    must(
        "book",
        theirs == ours,
        f"the logbook says {theirs[0]}, {theirs[1]}; the run is {ours[0]}, {ours[1]}",
    )
    if "relay_welded" not in world.scenario.fault_names:
        off_by = summary.progress.charge_coulombs - run.counter.charge_coulombs
        must(
            "book",
            abs(off_by) <= 1e-6,
            f"the logbook has {off_by:+.3f} C more than {run.counter.charge_coulombs:.3f} C",
        )
