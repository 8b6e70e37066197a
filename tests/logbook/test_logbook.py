"""The logbook stores its entries, never delays the run, and reports when it cannot write."""

from __future__ import annotations

import sqlite3
import threading
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.logbook.entries import Entry
from controller.logbook.logbook import SAMPLES_EVERY_S
from controller.logbook.thread import LogbookThread
from controller.logbook.waiting_room import WaitingRoom
from controller.messages import EventKind, RunState
from tests.kits.logbook_kit import ManualLogbook, began, changed, checkpoint, mean, note, raws

S = RunState


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    yield manual
    manual.logbook.finish()


# --- when it is written ---------------------------------------------------------------------------


def test_when_entries_are_written(manual: ManualLogbook) -> None:
    """States, events and checkpoints are written at once, samples every 10 s."""
    manual.logbook.work()
    manual.put(began(), changed("r1", S.RUNNING), note(), checkpoint("r1", 3.0), mean(0))
    manual.logbook.work()
    assert manual.reader.run("r1").summary.progress.charge_coulombs == 3.0
    assert len(manual.reader.events("r1")) == 1
    assert manual.means() == []
    manual.clock.advance(SAMPLES_EVERY_S - 0.1)
    assert manual.logbook.work() == pytest.approx(0.1)
    assert manual.means() == []
    manual.clock.advance(0.1)
    manual.logbook.work()
    assert len(manual.means()) == 1


def test_one_batch_is_one_transaction(manual: ManualLogbook) -> None:
    manual.begin()
    store = manual.logbook._keeper._store
    assert store is not None
    statements: list[str] = []
    store.connection.set_trace_callback(statements.append)
    manual.logbook.write([note(str(i)) for i in range(50)])
    store.connection.set_trace_callback(None)
    assert [s for s in statements if s in ("BEGIN IMMEDIATE", "COMMIT")] == [
        "BEGIN IMMEDIATE",
        "COMMIT",
    ]
    # A batch that fails half-way leaves nothing in the file.
    store.connection.execute("PRAGMA max_page_count = 1")
    store.connection.execute(f"PRAGMA max_page_count = {manual.ask('PRAGMA page_count') + 2}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        manual.logbook.write([note(str(i) * 40) for i in range(500)])
    assert len(manual.reader.events("r1")) == 50


def test_broken_batch_leaves_nothing(manual: ManualLogbook) -> None:
    """A batch that fails while it is read leaves nothing in the file."""
    manual.begin()
    store = manual.logbook._keeper._store
    assert store is not None

    def broken() -> Iterator[Entry]:
        yield note()
        raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        store.write(broken())
    manual.write(note("after"))
    assert [event.text for event in manual.reader.events("r1")] == ["after"]


def test_failed_batch_forgets_run_numbers(manual: ManualLogbook) -> None:
    """The run numbers of a batch that failed are forgotten."""
    manual.logbook.work()
    store = manual.logbook._keeper._store
    assert store is not None

    def broken() -> Iterator[Entry]:
        yield began("lost")
        raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        store.write(broken())
    (note_,) = store.write([mean(0, run_id="lost")])
    assert (note_.key, note_.values["run"]) == ("logbook.lost.refused", "lost")
    manual.write(began("r1"), mean(3))
    assert [row.elapsed_s for row in manual.means()] == [3]
    assert manual.reader.run("r1").summary.boot_id == manual.clock.boot_id()
    assert manual.logbook.health().lost == 0


def test_finishing_writes_everything(manual: ManualLogbook) -> None:
    manual.logbook.work()
    manual.put(began(), mean(0), raws(3), note())
    manual.logbook.finish()
    assert (len(manual.means()), len(manual.reader.events("r1"))) == (1, 1)
    assert manual.logbook.health().lost == 0


# --- the queue ------------------------------------------------------------------------------------


def test_full_queue_keeps_states(tmp_path: Path) -> None:
    """A full queue counts what is lost and keeps every state."""
    manual = ManualLogbook(
        tmp_path / "log.sqlite",
        room=WaitingRoom(max_runs=3, max_events=5, max_means=7, max_raws=10),
    )
    manual.put(began())
    for i in range(100):
        manual.put(mean(i), note(str(i)), checkpoint("r1", float(i)))
    manual.put(raws(8), raws(8), changed("r1", S.RUNNING, 100.0), changed("r1", S.FINISHED, 750.0))
    health = manual.logbook.health()
    assert health.lost == 93 + 95 + 8
    assert health.waiting == 2 + 5 + 7 + 8
    assert health.lost_note is not None
    assert health.lost_note.key == "logbook.lost.no_room"
    manual.write()
    summary = manual.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs) == (S.FINISHED, 750.0)
    assert [event.text for event in manual.reader.events("r1")] == ["0", "1", "2", "3", "4"]
    assert len(manual.means()) == 7
    assert sum(len(chunk) for chunk in manual.reader.raw_samples("r1")) == 8
    manual.logbook.finish()


def test_newest_checkpoint_wins() -> None:
    """The newest checkpoint replaces older ones. A state makes the checkpoints before it void."""
    room = WaitingRoom()
    for entry in (checkpoint("r1", 1.0), checkpoint("r1", 2.0), changed("r1", S.PAUSED, 3.0)):
        room.put(entry)
    assert room.take_urgent() == [changed("r1", S.PAUSED, 3.0)]
    for entry in (changed("r1", S.PAUSED, 3.0), checkpoint("r1", 4.0), checkpoint("r1", 5.0)):
        room.put(entry)
    assert room.take_urgent() == [changed("r1", S.PAUSED, 3.0), checkpoint("r1", 5.0)]
    assert len(room) == 0


def test_new_runs_refused_when_full() -> None:
    """When there is no room, new runs are refused and known ones are not."""
    room = WaitingRoom(max_runs=2)
    assert [room.put(began(f"r{i}")) for i in range(3)] == [0, 0, 1]
    assert room.put(changed("r0", S.STOPPED)) == 0


def test_memory_stays_bounded(tmp_path: Path) -> None:
    """While nothing can be written, the queue stays within 16 MB.

    The directory is missing for longer than the longest run.
    """
    manual = ManualLogbook(tmp_path / "missing" / "log.sqlite")
    manual.logbook.work()
    tracemalloc.start()
    manual.put(began())
    for i in range(40_000):
        manual.put(mean(i), checkpoint("r1", 3.0 * i), note())
    size_bytes, _peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert size_bytes < 16e6
    assert manual.logbook.health().lost > 0


# --- failing --------------------------------------------------------------------------------------


def test_full_disk_keeps_states(manual: ManualLogbook) -> None:
    """A full disk is reported. States are written first, the rest when there is room again."""
    manual.begin()
    store = manual.logbook._keeper._store
    assert store is not None
    pages = manual.ask("PRAGMA page_count")
    store.connection.execute(f"PRAGMA max_page_count = {pages}")
    failed_at_s = manual.clock.monotonic_s()
    manual.put(*(mean(i) for i in range(2000)))
    manual.clock.advance(10.0)
    manual.logbook.work()
    health = manual.logbook.health()
    assert health.failing_since_at_s == failed_at_s + 10.0
    assert health.message is not None
    for part in ("the disk is full", "MB free", "Free space in", str(manual.path.parent)):
        assert part in str(health.message)
    assert health.ready
    assert health.waiting == 2000
    # A state needs no new page, so it is written although the samples cannot be.
    manual.put(changed("r1", S.FINISHED, 750.0))
    manual.retry()
    assert manual.reader.run("r1").summary.state is S.FINISHED
    assert manual.logbook.health().waiting == 2000
    store.connection.execute("PRAGMA max_page_count = 1000000")
    manual.retry()
    manual.logbook.work()
    health = manual.logbook.health()
    assert (health.failing_since_at_s, health.message, health.lost, health.waiting) == (
        None,
        None,
        0,
        0,
    )
    assert len(manual.means()) == 2000
    (outage,) = manual.reader.events(None)
    assert outage.kind == EventKind.WARNING
    assert outage.data == {"outage_s": pytest.approx(60.0), "lost": 0}


def test_tries_come_at_growing_intervals(manual: ManualLogbook) -> None:
    manual.begin()
    with closing(sqlite3.connect(manual.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        manual.put(note())
        waits_s = []
        for _ in range(8):
            wait_s = manual.logbook.work()
            waits_s.append(wait_s)
            assert manual.logbook.work() == pytest.approx(wait_s)
            manual.clock.advance(wait_s)
        assert waits_s == [0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 30.0, 30.0]


def test_foreign_lock_is_outlived(manual: ManualLogbook) -> None:
    """A lock held by another program is reported, and writing goes on after it."""
    manual.begin()
    with closing(sqlite3.connect(manual.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        manual.put(changed("r1", S.STOPPED, 9.0))
        manual.logbook.work()
        message = manual.logbook.health().message
        assert message is not None
        assert message.key == "logbook.trouble.locked"
        other.execute("ROLLBACK")
    manual.retry()
    assert manual.reader.run("r1").summary.state is S.STOPPED
    assert manual.logbook.health().message is None


def test_read_only_file_is_outlived(manual: ManualLogbook) -> None:
    """A file that became read-only is reported, and writing goes on when it can."""
    manual.begin()
    store = manual.logbook._keeper._store
    assert store is not None
    store.connection.execute("PRAGMA query_only = ON")
    manual.put(changed("r1", S.STOPPED, 9.0))
    manual.logbook.work()
    message = manual.logbook.health().message
    assert message is not None
    assert message.key == "logbook.trouble.no_access"
    assert "readonly" in str(message)
    manual.retry()
    assert manual.reader.run("r1").summary.state is S.STOPPED


def test_missing_directory_allows_runs(tmp_path: Path) -> None:
    """A directory that is missing at the start is reported, and runs may begin."""
    manual = ManualLogbook(tmp_path / "card" / "log.sqlite")
    assert not manual.logbook.is_ready()
    manual.logbook.work()
    health = manual.logbook.health()
    assert health.ready
    assert health.message is not None
    assert health.message.key == "logbook.trouble.no_access"
    run_id = manual.logbook.new_run_id()
    manual.put(began(run_id), changed(run_id, S.RUNNING))
    (tmp_path / "card").mkdir()
    manual.retry()
    manual.logbook.work()
    assert manual.reader.run(run_id).summary.state is S.RUNNING
    assert manual.logbook.new_run_id() not in (run_id,)
    manual.logbook.finish()


def test_hanging_write_is_reported(manual: ManualLogbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever reads the health sees a write that hangs."""
    manual.begin()
    keeper = manual.logbook._keeper
    seen = []

    def hang(batch: object) -> list[str]:
        for seconds in (4.0, 2.0):
            manual.clock.advance(seconds)
            seen.append(manual.logbook.health())
        return []

    began_at_s = manual.clock.monotonic_s()
    monkeypatch.setattr(keeper, "write", hang)
    manual.put(note())
    manual.logbook.work()
    assert seen[0].message is None
    assert seen[1].failing_since_at_s == began_at_s
    assert "not answered for 6 s" in str(seen[1].message)
    assert manual.logbook.health().message is None


def test_run_outlives_reopened_file(manual: ManualLogbook) -> None:
    """A run goes on when the file was closed and opened again."""
    manual.begin()
    manual.logbook._keeper.let_go(OSError(5, "Input/output error"))
    manual.write(checkpoint("r1", 33.0, current_a=3.0))
    summary = manual.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs) == (S.RUNNING, 33.0)
    assert summary.progress.uncertain_charge_coulombs == 0.0


def test_finish_writes_without_waiting(manual: ManualLogbook) -> None:
    """At the end the logbook tries to write at once, whatever the interval."""
    manual.begin()
    with closing(sqlite3.connect(manual.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        manual.put(note())
        assert manual.logbook.work() == 0.5
        other.execute("ROLLBACK")
    manual.logbook.finish()
    assert len(manual.reader.events("r1")) == 1


def test_entries_left_count_lost(manual: ManualLogbook) -> None:
    """Entries that are left when the program ends count as lost."""
    manual.begin()
    with closing(sqlite3.connect(manual.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        manual.put(note(), mean(0), mean(1))
        manual.logbook.finish()
    health = manual.logbook.health()
    assert (health.lost, health.waiting) == (3, 3)
    assert health.lost_note is not None
    assert health.lost_note.key == "logbook.lost.at_end"


# --- the thread -----------------------------------------------------------------------------------


def test_thread_writes_and_closes(tmp_path: Path) -> None:
    manual = ManualLogbook(tmp_path / "log.sqlite")
    thread = LogbookThread(manual.logbook)
    thread.start()
    assert manual.logbook._ready.wait(60.0)
    for i in range(100):
        manual.put(began(f"r{i}"), changed(f"r{i}", S.FINISHED, float(i)), mean(i, run_id=f"r{i}"))
    assert thread.stop(60.0)
    assert [run.progress.charge_coulombs for run in manual.reader.list_runs(100).runs] == [
        float(i) for i in range(99, -1, -1)
    ]
    assert len(manual.means("r50")) == 1
    assert manual.logbook.health().lost == 0


def test_health_names_stored_run(manual: ManualLogbook) -> None:
    """The health names the newest run that is in the file."""
    assert manual.logbook.health().kept_run_id is None
    manual.put(began("r1"))
    assert manual.logbook.health().kept_run_id is None
    manual.logbook.work()
    assert manual.logbook.health().kept_run_id == "r1"
    with closing(sqlite3.connect(manual.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        manual.put(began("r2"), mean(1, run_id="r2"))
        manual.logbook.work()
        assert manual.logbook.health().kept_run_id == "r1"
    manual.retry()
    assert manual.logbook.health().kept_run_id == "r2"


def test_earlier_run_counts_stored(manual: ManualLogbook) -> None:
    """A run that an earlier process left counts as stored."""
    manual.begin("r1")
    again = manual.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.health().kept_run_id == "r1"
    again.write(began("r2"))
    assert again.logbook.health().kept_run_id == "r2"
    again.logbook.finish()


def test_the_thread_outlives_every_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    manual = ManualLogbook(tmp_path / "log.sqlite")
    keeper = manual.logbook._keeper
    reached = threading.Event()
    real_write = keeper.write
    errors = [
        sqlite3.OperationalError("disk I/O error"),
        OSError(28, "No space left on device"),
        RuntimeError("a bug"),
        MemoryError(),
    ]

    def fail(batch: list[Entry]) -> list[str]:
        if errors:
            error = errors.pop()
            manual.clock.advance(60.0)
            raise error
        reached.set()
        return real_write(batch)

    monkeypatch.setattr(keeper, "write", fail)
    thread = LogbookThread(manual.logbook)
    thread.start()
    assert manual.logbook._ready.wait(60.0)
    for i in range(200):
        manual.put(began("r1") if i == 0 else checkpoint("r1", float(i)))
        manual.clock.advance(60.0)
        if reached.wait(0.05):
            break
    manual.put(changed("r1", S.FINISHED, 750.0))
    assert thread.stop(60.0)
    assert manual.reader.run("r1").summary.progress.charge_coulombs == 750.0


def test_hanging_thread_delays_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A thread that hangs in the disk delays neither the loop nor the end."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    inside, let_go = threading.Event(), threading.Event()

    def hang(batch: list[Entry]) -> list[str]:
        inside.set()
        let_go.wait(60.0)
        return []

    monkeypatch.setattr(manual.logbook._keeper, "write", hang)
    thread = LogbookThread(manual.logbook)
    thread.start()
    manual.put(note(run_id=None))
    assert inside.wait(60.0)
    manual.put(*(note(str(i), run_id=None) for i in range(100)))
    assert manual.logbook.health().waiting >= 100
    assert thread.stop(0.01) is False
    let_go.set()
    assert thread.stop(60.0)
