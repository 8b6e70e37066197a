"""An interrupted run comes back once: off, with its charge, to an idle bench, and is told before anything may start."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.config import Settings
from controller.messages import Finding, RunState, Snapshot, TripReason
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from controller.recording.recorder import RunRecorder
from controller.recording.restore import Restorer
from hardware.clock import VirtualClock
from tests.kits.doubles import Bench, make_bench, silver_request
from tests.kits.logbook_kit import UTC_0, Desk, changed, checkpoint

S = RunState
SNAPSHOT: Snapshot = None  # type: ignore[assignment] # it is not looked at


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A logbook of a new process with a run of 900 C that was cut."""
    desk = Desk(tmp_path / "log.sqlite")
    plan = plan_to_json(make_plan(silver_request(), Settings(), 16.0))
    desk.begin(plan=plan)
    desk.write(changed("r1", S.RUNNING, 890.0), checkpoint("r1", 900.0))
    again = desk.reopened(VirtualClock(UTC_0))
    yield again
    again.logbook.finish()


def restorer(bench: Bench, desk: Desk) -> Restorer:
    return Restorer(bench.supervisor, desk.logbook, RunRecorder(), bench.clock, Settings(), 16.0)


def test_it_is_restored_before_the_bench_counts_as_ready(desk: Desk) -> None:
    bench = make_bench()
    restorer_ = restorer(bench, desk)
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.INTERRUPTED
    assert bench.supervisor.run is not None
    assert bench.supervisor.run.counter.charge_coulombs == 900.0
    assert restorer_.not_ready() is not None, "not yet published"
    restorer_.follow(SNAPSHOT, ())
    assert restorer_.not_ready() is None


def test_a_trip_at_start_is_acknowledged_first_and_the_run_is_still_there(desk: Desk) -> None:
    """A relay found welded in the first pass trips before the logbook is open."""
    bench = make_bench()
    restorer_ = restorer(bench, desk)
    bench.supervisor._trip(Finding(TripReason.RELAY_WELDED))
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.TRIPPED
    assert restorer_.not_ready() is not None
    bench.run_for(1.0)
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.IDLE
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.INTERRUPTED


def test_it_comes_back_once_however_soon_it_is_stopped(desk: Desk) -> None:
    bench = make_bench()
    restorer_ = restorer(bench, desk)
    restorer_.follow(SNAPSHOT, ())
    bench.supervisor.state, bench.supervisor.run = (
        S.IDLE,
        None,
    )  # stopped and acknowledged within one pass
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.IDLE


def test_a_run_whose_plan_cannot_be_read_is_told(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "log.sqlite")
    desk.begin()
    again = desk.reopened(VirtualClock(UTC_0))
    bench = make_bench()
    restorer_ = restorer(bench, again)
    restorer_.follow(SNAPSHOT, ())
    assert restorer_.not_ready() is None
    assert restorer_.message is not None
    assert any(
        restorer_.message == str(getattr(item, "message", None))
        for item in bench.supervisor.take_news()
    )
    again.logbook.finish()
