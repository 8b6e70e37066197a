"""What an earlier process left unfinished comes back off, with its charge and what may be missing."""

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
def desk(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    desk = ManualLogbook(tmp_path / "log.sqlite")
    yield desk
    desk.logbook.finish()


@pytest.mark.parametrize(
    ("state", "uncertain_coulombs"),
    # 2 s times the planned 3.0 A: it counts where the last reading, 2.9 A, is less, the supply may just have been turned up.
    [(S.RUNNING, 2.0 * 3.0), (S.CHECKING, 0.0), (S.PAUSED, 0.0)],
)
def test_an_unfinished_run_comes_back_interrupted(
    desk: ManualLogbook, state: RunState, uncertain_coulombs: float
) -> None:
    desk.begin(planned_current_a=3.0)
    desk.write(changed("r1", state, 297.0), checkpoint("r1", 300.0, current_a=2.9, depth_mm=0.04))
    again = desk.reopened(VirtualClock(UTC_0))
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
def test_a_trip_that_lets_the_run_go_on_is_offered_again_after_a_restart(
    desk: ManualLogbook, reason: TripReason, is_offered: bool
) -> None:
    """Whoever cuts all power after a trip, as the message may tell, loses nothing."""
    desk.begin()
    desk.write(changed("r1", S.TRIPPED, 297.0, reason))
    again = desk.reopened(VirtualClock(UTC_0))
    assert (again.logbook.interrupted is not None) is is_offered
    summary = again.reader.run("r1").summary
    assert summary.state is (S.INTERRUPTED if is_offered else S.TRIPPED)
    assert summary.progress.charge_coulombs == 297.0
    assert summary.progress.uncertain_charge_coulombs == 0.0
    again.logbook.finish()


def test_before_the_first_sample_the_planned_current_bounds_the_missing_charge(
    desk: ManualLogbook,
) -> None:
    desk.begin(planned_current_a=4.0)
    again = desk.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.progress.uncertain_charge_coulombs == 8.0
    again.logbook.finish()


def test_the_last_current_bounds_the_missing_charge_where_it_is_above_the_plan(
    desk: ManualLogbook,
) -> None:
    desk.begin(planned_current_a=3.0)
    desk.write(checkpoint("r1", 30.0, current_a=3.4))
    again = desk.reopened()
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.progress.uncertain_charge_coulombs == pytest.approx(
        2.0 * 3.4
    )
    again.logbook.finish()


def test_missing_charge_of_two_crashes_adds_up(desk: ManualLogbook) -> None:
    """2 s of the larger of last and planned current each: 2 s of 3.5 A, then 2 s of the planned 3 A though 2 A flowed last."""
    desk.begin(planned_current_a=3.0)
    desk.write(checkpoint("r1", 30.0, current_a=3.5))
    second = desk.reopened()
    second.write(changed("r1", S.RUNNING, 30.0, uncertain_charge_coulombs=7.0))
    second.write(checkpoint("r1", 60.0, current_a=2.0, uncertain_charge_coulombs=7.0))
    third = second.reopened()
    assert third.logbook.interrupted is not None
    assert third.logbook.interrupted.summary.progress.uncertain_charge_coulombs == 7.0 + 6.0
    third.logbook.finish()


def test_only_the_newest_run_can_be_resumed(desk: ManualLogbook) -> None:
    desk.write(began("r1"), changed("r1", S.RUNNING))
    desk.write(began("r2"), changed("r2", S.PAUSED, 10.0))
    again = desk.reopened()
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
def test_a_run_that_ended_stays_as_it_is(desk: ManualLogbook, state: RunState) -> None:
    desk.begin()
    desk.write(changed("r1", state, 5.0))
    again = desk.reopened()
    assert again.logbook.interrupted is None
    assert again.reader.run("r1").summary.state is state
    again.logbook.finish()


def test_a_run_begun_before_the_file_could_be_opened_is_not_taken_for_a_crashed_one(
    tmp_path: Path,
) -> None:
    first = ManualLogbook(tmp_path / "log.sqlite")
    first.begin()
    first.logbook.finish()
    desk = ManualLogbook(tmp_path / "log.sqlite")
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        other.execute("UPDATE runs SET piece = piece")
        desk.clock.advance(1.0)
        desk.put(began("r2"), changed("r2", S.RUNNING))
        desk.logbook.work()
        assert desk.logbook.is_ready()
        other.execute("ROLLBACK")
    desk.retry()
    desk.retry()
    assert desk.logbook.interrupted is None
    assert desk.reader.run("r1").summary.state is S.STOPPED
    assert desk.reader.run("r2").summary.state is S.RUNNING
    desk.logbook.finish()


def test_an_interrupted_run_survives_damage_to_the_file(desk: ManualLogbook) -> None:
    desk.begin()
    again = desk.reopened()
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


def test_missing_charge_enters_checkpoint(desk: ManualLogbook) -> None:
    """The earlier process's checkpoint and its moment stay, but for the missing charge."""
    desk.begin(planned_current_a=3.0)
    kept = {"uncertain_charge_coulombs": 1.5, "at_s": 77.0, "boot_id": "earlier"}
    last = checkpoint("r1", 30.0, current_a=2.0, uncertain_charge_coulombs=1.5)
    desk.write(replace(last, kept=kept))
    again = desk.reopened(VirtualClock(UTC_0))
    expected = {**kept, "uncertain_charge_coulombs": 7.5}
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.kept == expected
    assert again.reader.run("r1").kept == expected
    third = again.reopened(VirtualClock(UTC_0))
    assert third.logbook.interrupted is not None
    assert third.logbook.interrupted.kept == expected, "not twice"
    third.logbook.finish()


def test_strange_checkpoint_opens(desk: ManualLogbook) -> None:
    """A checkpoint without the charge does not keep the logbook from opening."""
    desk.begin()
    desk.write(replace(checkpoint("r1", 30.0), kept={"at_s": 77.0}))
    again = desk.reopened(VirtualClock(UTC_0))
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.kept == {"at_s": 77.0}
    again.logbook.finish()


def test_old_time_is_not_new(desk: ManualLogbook) -> None:
    """A run that comes back carries this boot's time with this boot's id, never a mixture."""
    desk.begin()
    desk.write(checkpoint("r1", 30.0, at_s=777_777.0))
    clock = VirtualClock(UTC_0, start_s=55.0)
    again = desk.reopened(clock)
    assert again.logbook.interrupted is not None
    assert again.logbook.interrupted.summary.progress.at_s == 55.0
    summary = again.reader.run("r1").summary
    assert (summary.progress.at_s, summary.boot_id) == (55.0, clock.boot_id())
    again.logbook.finish()
