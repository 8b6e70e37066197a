"""An unfinished run of an earlier process comes back with the relay off and its charge.

The charge that may be missing is stated.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.logbook import schema as schema
from controller.messages import RunState, TripReason
from hardware.clock import VirtualClock
from tests.kits.logbook_kit import UTC_0, ManualLogbook, began, changed, checkpoint

S = RunState


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    yield manual
    manual.logbook.finish()


@pytest.mark.parametrize(
    ("state", "uncertain_coulombs"),
    # 2 s times the planned 3.0 A. The plan counts because the last reading, 2.9 A, is less: the
    # supply may just have been turned up.
    [(S.RUNNING, 2.0 * 3.0), (S.CHECKING, 0.0), (S.PAUSED, 0.0)],
)
def test_unfinished_run_comes_back_interrupted(
    manual: ManualLogbook, state: RunState, uncertain_coulombs: float
) -> None:
    manual.begin(planned_current_a=3.0)
    manual.write(changed("r1", state, 297.0), checkpoint("r1", 300.0, current_a=2.9, depth_mm=0.04))
    again = manual.reopened(VirtualClock(UTC_0))
    record = again.logbook.interrupted
    assert record is not None
    assert (record.summary.run_id, record.plan) == ("r1", {"area_mm2": 767.0})
    for summary in (record.summary, again.reader.run("r1").summary):
        assert summary.state is S.INTERRUPTED
        assert summary.ended_at_utc is None
        assert summary.progress.charge_coulombs == 300.0
        assert summary.progress.uncertain_charge_coulombs == pytest.approx(uncertain_coulombs)
        assert (summary.progress.depth_mm, summary.progress.on_time_s) == (0.04, 100.0)
        assert summary.message is not None
        assert "300.0 C were counted" in summary.message
        assert f"up to {uncertain_coulombs:.1f} C may be missing" in summary.message
    assert again.reader.events("r1")[-1].data == {
        "charge_coulombs": 300.0,
        "uncertain_charge_coulombs": pytest.approx(uncertain_coulombs),
    }
    # A second restart changes nothing and still offers the run.
    third = again.reopened(VirtualClock(UTC_0))
    assert third.logbook.interrupted is not None
    assert third.logbook.interrupted.summary.progress.uncertain_charge_coulombs == pytest.approx(
        uncertain_coulombs
    )
    assert len(third.reader.events("r1")) == 1
    third.logbook.finish()


@pytest.mark.parametrize(
    ("reason", "is_offered"),
    [
        (TripReason.SENSOR_FAULT, True),
        (TripReason.RELAY_WELDED, False),
        (TripReason.OVER_CHARGE, False),
    ],
)
def test_resumable_trip_survives_restart(
    manual: ManualLogbook, reason: TripReason, is_offered: bool
) -> None:
    """Cutting all power after a trip, as the message may ask for, loses nothing."""
    manual.begin()
    manual.write(changed("r1", S.TRIPPED, 297.0, reason))
    again = manual.reopened(VirtualClock(UTC_0))
    assert (again.logbook.interrupted is not None) is is_offered
    summary = again.reader.run("r1").summary
    assert summary.state is (S.INTERRUPTED if is_offered else S.TRIPPED)
    assert summary.progress.charge_coulombs == 297.0
    assert summary.progress.uncertain_charge_coulombs == 0.0
    again.logbook.finish()


def test_planned_current_bounds_missing_charge(manual: ManualLogbook) -> None:
    """Before the first sample the planned current bounds the missing charge."""
    manual.begin(planned_current_a=4.0)
    again = manual.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.progress.uncertain_charge_coulombs == 8.0
    again.logbook.finish()


def test_last_current_bounds_missing_charge(manual: ManualLogbook) -> None:
    """A last current above the planned one bounds the missing charge."""
    manual.begin(planned_current_a=3.0)
    manual.write(checkpoint("r1", 30.0, current_a=3.4))
    again = manual.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.progress.uncertain_charge_coulombs == pytest.approx(
        2.0 * 3.4
    )
    again.logbook.finish()


def test_missing_charge_adds_up(manual: ManualLogbook) -> None:
    """Each crash adds 2 s of the last or the planned current, whichever is larger.

    Here these are 2 s of 3.5 A, then 2 s of the planned 3 A, although 2 A flowed last.
    """
    manual.begin(planned_current_a=3.0)
    manual.write(checkpoint("r1", 30.0, current_a=3.5))
    second = manual.reopened()
    second.write(changed("r1", S.RUNNING, 30.0, uncertain_charge_coulombs=7.0))
    second.write(checkpoint("r1", 60.0, current_a=2.0, uncertain_charge_coulombs=7.0))
    third = second.reopened()
    assert third.logbook.interrupted is not None
    assert third.logbook.interrupted.summary.progress.uncertain_charge_coulombs == 7.0 + 6.0
    third.logbook.finish()


def test_only_newest_run_resumes(manual: ManualLogbook) -> None:
    manual.write(began("r1"), changed("r1", S.RUNNING))
    manual.write(began("r2"), changed("r2", S.PAUSED, 10.0))
    again = manual.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.run_id == "r2"
    older = again.reader.run("r1").summary
    assert older.state is S.STOPPED
    assert older.ended_at_utc is not None
    assert older.message is not None
    assert "you cannot carry on with this one" in older.message
    again.write(began("r3"), changed("r3", S.FINISHED, 1.0))
    third = again.reopened()
    assert third.logbook.interrupted is None
    assert third.reader.run("r2").summary.state is S.STOPPED
    third.logbook.finish()


@pytest.mark.parametrize("state", [S.FINISHED, S.STOPPED, S.TRIPPED])
def test_ended_run_stays_ended(manual: ManualLogbook, state: RunState) -> None:
    manual.begin()
    manual.write(changed("r1", state, 5.0))
    again = manual.reopened()
    assert again.logbook.interrupted is None
    assert again.reader.run("r1").summary.state is state
    again.logbook.finish()


def test_early_run_is_not_crashed(tmp_path: Path) -> None:
    """A run that began before the file could be opened is not taken for a crashed one."""
    first = ManualLogbook(tmp_path / "log.sqlite")
    first.begin()
    first.logbook.finish()
    manual = ManualLogbook(tmp_path / "log.sqlite")
    with closing(sqlite3.connect(manual.path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        other.execute("UPDATE runs SET piece = piece")
        manual.clock.advance(1.0)
        manual.put(began("r2"), changed("r2", S.RUNNING))
        manual.logbook.work()
        assert manual.logbook.is_ready()
        other.execute("ROLLBACK")
    manual.retry()
    manual.retry()
    assert manual.logbook.interrupted is None
    assert manual.reader.run("r1").summary.state is S.STOPPED
    assert manual.reader.run("r2").summary.state is S.RUNNING
    manual.logbook.finish()


def test_interrupted_run_survives_damage(manual: ManualLogbook) -> None:
    """An interrupted run survives damage to the file."""
    manual.begin()
    again = manual.reopened()
    again.logbook._keeper.let_go(
        schema.LogbookDamagedError("logbook.file.check_found", findings="page 7 is nonsense")
    )
    again.put(changed("r1", S.STOPPED, 12.0))
    again.retry()
    summary = again.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs, summary.piece) == (
        S.STOPPED,
        12.0,
        "leaf pendant",
    )
    again.logbook.finish()


def test_missing_charge_enters_checkpoint(manual: ManualLogbook) -> None:
    """The earlier process's checkpoint and its time stay; only the missing charge is added."""
    manual.begin(planned_current_a=3.0)
    kept = {"uncertain_charge_coulombs": 1.5, "at_s": 77.0, "boot_id": "earlier"}
    last = checkpoint("r1", 30.0, current_a=2.0, uncertain_charge_coulombs=1.5)
    manual.write(replace(last, kept=kept))
    again = manual.reopened(VirtualClock(UTC_0))
    expected = {**kept, "uncertain_charge_coulombs": 7.5}
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.kept == expected
    assert again.reader.run("r1").kept == expected
    third = again.reopened(VirtualClock(UTC_0))
    assert third.logbook.interrupted is not None
    assert third.logbook.interrupted.kept == expected, "not twice"
    third.logbook.finish()


def test_strange_checkpoint_opens(manual: ManualLogbook) -> None:
    """A checkpoint without the charge does not keep the logbook from opening."""
    manual.begin()
    manual.write(replace(checkpoint("r1", 30.0), kept={"at_s": 77.0}))
    again = manual.reopened(VirtualClock(UTC_0))
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.kept == {"at_s": 77.0}
    again.logbook.finish()


DAMAGED = {
    "a text": '{"uncertain_charge_coulombs": "much"}',
    "nothing": '{"uncertain_charge_coulombs": null}',
    "cut off": '{"at_s": 7',
    "a list": "[1, 2]",
}


@pytest.mark.parametrize("body", DAMAGED.values(), ids=list(DAMAGED))
def test_damaged_checkpoint_opens(manual: ManualLogbook, body: str) -> None:
    """One damaged checkpoint keeps neither the logbook from opening nor its run from reading."""
    manual.begin()
    manual.write(replace(checkpoint("r1", 30.0), kept={"at_s": 77.0}))
    manual.logbook.finish()
    with closing(sqlite3.connect(manual.path)) as connection:
        connection.execute("UPDATE checkpoints SET body = ?", (body,))
        connection.commit()
    again = manual.reopened(VirtualClock(UTC_0))
    assert again.logbook.interrupted is not None
    assert again.logbook.health().message is None
    assert again.reader.run("r1").summary.run_id == "r1"
    again.logbook.finish()


def test_old_time_is_not_new(manual: ManualLogbook) -> None:
    """A run that comes back carries this boot's time with this boot's id, never a mixture."""
    manual.begin()
    manual.write(checkpoint("r1", 30.0, at_s=777_777.0))
    clock = VirtualClock(UTC_0, start_s=55.0)
    again = manual.reopened(clock)
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.progress.at_s == 55.0
    summary = again.reader.run("r1").summary
    assert (summary.progress.at_s, summary.boot_id) == (55.0, clock.boot_id())
    again.logbook.finish()
