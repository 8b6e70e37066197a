"""The logbook keeps what it is given, never stands in the way, and says so when it cannot."""

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
def desk(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    desk = ManualLogbook(tmp_path / "log.sqlite")
    yield desk
    desk.logbook.finish()


# --- when it is written ---------------------------------------------------------------------------------------------------


def test_states_events_and_checkpoints_are_written_at_once_and_samples_every_10_s(
    desk: ManualLogbook,
) -> None:
    desk.logbook.work()
    desk.put(began(), changed("r1", S.RUNNING), note(), checkpoint("r1", 3.0), mean(0))
    desk.logbook.work()
    assert desk.reader.run("r1").summary.progress.charge_coulombs == 3.0
    assert len(desk.reader.events("r1")) == 1
    assert desk.means() == []
    desk.clock.advance(SAMPLES_EVERY_S - 0.1)
    assert desk.logbook.work() == pytest.approx(0.1)
    assert desk.means() == []
    desk.clock.advance(0.1)
    desk.logbook.work()
    assert len(desk.means()) == 1


def test_one_batch_is_one_transaction(desk: ManualLogbook) -> None:
    desk.begin()
    store = desk.logbook._keeper._store
    assert store is not None
    statements: list[str] = []
    store.connection.set_trace_callback(statements.append)
    desk.logbook.write([note(str(i)) for i in range(50)])
    store.connection.set_trace_callback(None)
    assert [s for s in statements if s in ("BEGIN IMMEDIATE", "COMMIT")] == [
        "BEGIN IMMEDIATE",
        "COMMIT",
    ]
    # A batch that fails half-way leaves nothing behind.
    store.connection.execute("PRAGMA max_page_count = 1")
    store.connection.execute(f"PRAGMA max_page_count = {desk.ask('PRAGMA page_count') + 2}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        desk.logbook.write([note(str(i) * 40) for i in range(500)])
    assert len(desk.reader.events("r1")) == 50


def test_a_batch_that_cannot_be_read_to_its_end_leaves_nothing_behind(desk: ManualLogbook) -> None:
    desk.begin()
    store = desk.logbook._keeper._store
    assert store is not None

    def broken() -> Iterator[Entry]:
        yield note()
        raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        store.write(broken())
    desk.write(note("after"))
    assert [event.text for event in desk.reader.events("r1")] == ["after"]


def test_numbers_of_a_batch_that_failed_are_forgotten(desk: ManualLogbook) -> None:
    desk.logbook.work()
    store = desk.logbook._keeper._store
    assert store is not None

    def broken() -> Iterator[Entry]:
        yield began("lost")
        raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        store.write(broken())
    (note_,) = store.write([mean(0, run_id="lost")])
    assert (note_.key, note_.values["run"]) == ("logbook.lost.refused", "lost")
    desk.write(began("r1"), mean(3))
    assert [row.elapsed_s for row in desk.means()] == [3]
    assert desk.reader.run("r1").summary.boot_id == desk.clock.boot_id()
    assert desk.logbook.health().lost == 0


def test_finishing_writes_everything(desk: ManualLogbook) -> None:
    desk.logbook.work()
    desk.put(began(), mean(0), raws(3), note())
    desk.logbook.finish()
    assert (len(desk.means()), len(desk.reader.events("r1"))) == (1, 1)
    assert desk.logbook.health().lost == 0


# --- the queue ------------------------------------------------------------------------------------------------------------


def test_a_full_queue_counts_what_is_lost_and_keeps_states(tmp_path: Path) -> None:
    desk = ManualLogbook(
        tmp_path / "log.sqlite",
        room=WaitingRoom(max_runs=3, max_events=5, max_means=7, max_raws=10),
    )
    desk.put(began())
    for i in range(100):
        desk.put(mean(i), note(str(i)), checkpoint("r1", float(i)))
    desk.put(raws(8), raws(8), changed("r1", S.RUNNING, 100.0), changed("r1", S.FINISHED, 750.0))
    health = desk.logbook.health()
    assert health.lost == 93 + 95 + 8
    assert health.waiting == 2 + 5 + 7 + 8
    assert health.lost_note is not None
    assert health.lost_note.key == "logbook.lost.no_room"
    desk.write()
    summary = desk.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs) == (S.FINISHED, 750.0)
    assert [event.text for event in desk.reader.events("r1")] == ["0", "1", "2", "3", "4"]
    assert len(desk.means()) == 7
    assert sum(len(chunk) for chunk in desk.reader.raw_samples("r1")) == 8
    desk.logbook.finish()


def test_the_newest_checkpoint_replaces_older_ones_and_an_older_one_never_follows_a_state() -> None:
    room = WaitingRoom()
    for entry in (checkpoint("r1", 1.0), checkpoint("r1", 2.0), changed("r1", S.PAUSED, 3.0)):
        room.put(entry)
    assert room.take_urgent() == [changed("r1", S.PAUSED, 3.0)]
    for entry in (changed("r1", S.PAUSED, 3.0), checkpoint("r1", 4.0), checkpoint("r1", 5.0)):
        room.put(entry)
    assert room.take_urgent() == [changed("r1", S.PAUSED, 3.0), checkpoint("r1", 5.0)]
    assert len(room) == 0


def test_runs_beyond_the_room_are_refused_not_the_known_ones() -> None:
    room = WaitingRoom(max_runs=2)
    assert [room.put(began(f"r{i}")) for i in range(3)] == [0, 0, 1]
    assert room.put(changed("r0", S.STOPPED)) == 0


def test_memory_while_nothing_can_be_written_stays_bounded(tmp_path: Path) -> None:
    """A missing directory for the time of the longest run and more: the queue's bound holds. Limit: 16 MB."""
    desk = ManualLogbook(tmp_path / "missing" / "log.sqlite")
    desk.logbook.work()
    tracemalloc.start()
    desk.put(began())
    for i in range(40_000):
        desk.put(mean(i), checkpoint("r1", 3.0 * i), note())
    size_bytes, _peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert size_bytes < 16e6
    assert desk.logbook.health().lost > 0


# --- failing --------------------------------------------------------------------------------------------------------------


def test_a_full_disk_is_told_states_go_first_and_writing_goes_on_when_there_is_room(
    desk: ManualLogbook,
) -> None:
    desk.begin()
    store = desk.logbook._keeper._store
    assert store is not None
    pages = desk.ask("PRAGMA page_count")
    store.connection.execute(f"PRAGMA max_page_count = {pages}")
    failed_at_s = desk.clock.monotonic_s()
    desk.put(*(mean(i) for i in range(2000)))
    desk.clock.advance(10.0)
    desk.logbook.work()
    health = desk.logbook.health()
    assert health.failing_since_at_s == failed_at_s + 10.0
    assert health.message is not None
    for part in ("the disk is full", "MB free", "Free space in", str(desk.path.parent)):
        assert part in str(health.message)
    assert health.ready
    assert health.waiting == 2000
    # A state needs no new page: it is written though the samples cannot be.
    desk.put(changed("r1", S.FINISHED, 750.0))
    desk.retry()
    assert desk.reader.run("r1").summary.state is S.FINISHED
    assert desk.logbook.health().waiting == 2000
    store.connection.execute("PRAGMA max_page_count = 1000000")
    desk.retry()
    desk.logbook.work()
    health = desk.logbook.health()
    assert (health.failing_since_at_s, health.message, health.lost, health.waiting) == (
        None,
        None,
        0,
        0,
    )
    assert len(desk.means()) == 2000
    (outage,) = desk.reader.events(None)
    assert outage.kind == EventKind.WARNING
    assert outage.data == {"outage_s": pytest.approx(60.0), "lost": 0}


def test_tries_come_at_growing_intervals(desk: ManualLogbook) -> None:
    desk.begin()
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        desk.put(note())
        waits_s = []
        for _ in range(8):
            wait_s = desk.logbook.work()
            waits_s.append(wait_s)
            assert desk.logbook.work() == pytest.approx(wait_s)
            desk.clock.advance(wait_s)
        assert waits_s == [0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 30.0, 30.0]


def test_a_lock_held_by_another_program_is_told_and_outlived(desk: ManualLogbook) -> None:
    desk.begin()
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        desk.put(changed("r1", S.STOPPED, 9.0))
        desk.logbook.work()
        message = desk.logbook.health().message
        assert message is not None
        assert message.key == "logbook.trouble.locked"
        other.execute("ROLLBACK")
    desk.retry()
    assert desk.reader.run("r1").summary.state is S.STOPPED
    assert desk.logbook.health().message is None


def test_a_file_that_became_read_only_is_told_and_outlived(desk: ManualLogbook) -> None:
    desk.begin()
    store = desk.logbook._keeper._store
    assert store is not None
    store.connection.execute("PRAGMA query_only = ON")
    desk.put(changed("r1", S.STOPPED, 9.0))
    desk.logbook.work()
    message = desk.logbook.health().message
    assert message is not None
    assert message.key == "logbook.trouble.no_access"
    assert "readonly" in str(message)
    desk.retry()
    assert desk.reader.run("r1").summary.state is S.STOPPED


def test_a_directory_that_is_missing_at_start_is_told_and_runs_may_begin(tmp_path: Path) -> None:
    desk = ManualLogbook(tmp_path / "card" / "log.sqlite")
    assert not desk.logbook.is_ready()
    desk.logbook.work()
    health = desk.logbook.health()
    assert health.ready
    assert health.message is not None
    assert health.message.key == "logbook.trouble.no_access"
    run_id = desk.logbook.new_run_id()
    desk.put(began(run_id), changed(run_id, S.RUNNING))
    (tmp_path / "card").mkdir()
    desk.retry()
    desk.logbook.work()
    assert desk.reader.run(run_id).summary.state is S.RUNNING
    assert desk.logbook.new_run_id() not in (run_id,)
    desk.logbook.finish()


def test_a_write_that_hangs_is_told_by_the_reader_of_the_health(
    desk: ManualLogbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.begin()
    keeper = desk.logbook._keeper
    seen = []

    def hang(batch: object) -> list[str]:
        for seconds in (4.0, 2.0):
            desk.clock.advance(seconds)
            seen.append(desk.logbook.health())
        return []

    began_at_s = desk.clock.monotonic_s()
    monkeypatch.setattr(keeper, "write", hang)
    desk.put(note())
    desk.logbook.work()
    assert seen[0].message is None
    assert seen[1].failing_since_at_s == began_at_s
    assert "not answered for 6 s" in str(seen[1].message)
    assert desk.logbook.health().message is None


def test_a_run_goes_on_over_a_file_that_was_opened_again(desk: ManualLogbook) -> None:
    desk.begin()
    desk.logbook._keeper.let_go(OSError(5, "Input/output error"))
    desk.write(checkpoint("r1", 33.0, current_a=3.0))
    summary = desk.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs) == (S.RUNNING, 33.0)
    assert summary.progress.uncertain_charge_coulombs == 0.0


def test_at_the_end_writing_is_tried_without_waiting(desk: ManualLogbook) -> None:
    desk.begin()
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        desk.put(note())
        assert desk.logbook.work() == 0.5
        other.execute("ROLLBACK")
    desk.logbook.finish()
    assert len(desk.reader.events("r1")) == 1


def test_what_is_left_when_the_program_ends_counts_as_lost(desk: ManualLogbook) -> None:
    desk.begin()
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        desk.put(note(), mean(0), mean(1))
        desk.logbook.finish()
    health = desk.logbook.health()
    assert (health.lost, health.waiting) == (3, 3)
    assert health.lost_note is not None
    assert health.lost_note.key == "logbook.lost.at_end"


# --- the thread -----------------------------------------------------------------------------------------------------------


def test_the_thread_writes_what_is_put_and_closes(tmp_path: Path) -> None:
    desk = ManualLogbook(tmp_path / "log.sqlite")
    thread = LogbookThread(desk.logbook)
    thread.start()
    assert desk.logbook._ready.wait(60.0)
    for i in range(100):
        desk.put(began(f"r{i}"), changed(f"r{i}", S.FINISHED, float(i)), mean(i, run_id=f"r{i}"))
    assert thread.stop(60.0)
    assert [run.progress.charge_coulombs for run in desk.reader.list_runs(100).runs] == [
        float(i) for i in range(99, -1, -1)
    ]
    assert len(desk.means("r50")) == 1
    assert desk.logbook.health().lost == 0


def test_it_is_told_which_run_is_in_the_file(desk: ManualLogbook) -> None:
    assert desk.logbook.health().kept_run_id is None
    desk.put(began("r1"))
    assert desk.logbook.health().kept_run_id is None
    desk.logbook.work()
    assert desk.logbook.health().kept_run_id == "r1"
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        desk.put(began("r2"), mean(1, run_id="r2"))
        desk.logbook.work()
        assert desk.logbook.health().kept_run_id == "r1"
    desk.retry()
    assert desk.logbook.health().kept_run_id == "r2"


def test_a_run_that_an_earlier_process_left_is_in_the_file(desk: ManualLogbook) -> None:
    desk.begin("r1")
    again = desk.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.health().kept_run_id == "r1"
    again.write(began("r2"))
    assert again.logbook.health().kept_run_id == "r2"
    again.logbook.finish()


def test_the_thread_outlives_every_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = ManualLogbook(tmp_path / "log.sqlite")
    keeper = desk.logbook._keeper
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
            desk.clock.advance(60.0)
            raise error
        reached.set()
        return real_write(batch)

    monkeypatch.setattr(keeper, "write", fail)
    thread = LogbookThread(desk.logbook)
    thread.start()
    assert desk.logbook._ready.wait(60.0)
    for i in range(200):
        desk.put(began("r1") if i == 0 else checkpoint("r1", float(i)))
        desk.clock.advance(60.0)
        if reached.wait(0.05):
            break
    desk.put(changed("r1", S.FINISHED, 750.0))
    assert thread.stop(60.0)
    assert desk.reader.run("r1").summary.progress.charge_coulombs == 750.0


def test_a_thread_that_hangs_in_the_disk_does_not_hold_up_the_end_or_the_loop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = ManualLogbook(tmp_path / "log.sqlite")
    inside, let_go = threading.Event(), threading.Event()

    def hang(batch: list[Entry]) -> list[str]:
        inside.set()
        let_go.wait(60.0)
        return []

    monkeypatch.setattr(desk.logbook._keeper, "write", hang)
    thread = LogbookThread(desk.logbook)
    thread.start()
    desk.put(note(run_id=None))
    assert inside.wait(60.0)
    desk.put(*(note(str(i), run_id=None) for i in range(100)))
    assert desk.logbook.health().waiting >= 100
    assert thread.stop(0.01) is False
    let_go.set()
    assert thread.stop(60.0)
