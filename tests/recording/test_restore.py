"""An interrupted run comes back once, with the relay off and with its charge.

It comes back to an idle supervisor and is published before another run may start.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller.config import Settings, parse_settings
from controller.messages import EventKind, Finding, RunState, Snapshot, TripReason
from controller.planning.json_form import plan_for_logbook, plan_to_json
from controller.recording.recorder import RunRecorder
from controller.recording.restore import Restorer
from controller.safety.checkpoint import checkpoint_to_json, moment_of
from controller.safety.outbox import Noted
from controller.safety.run import new_run
from hardware.clock import VirtualClock
from tests.kits.doubles import Bench, make_bench, plan_for, silver_request
from tests.kits.logbook_kit import UTC_0, ManualLogbook, changed, checkpoint

S = RunState
SNAPSHOT: Snapshot = None  # type: ignore[assignment] # it is not used


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook that a new process has opened, with an interrupted run of 900 C."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    plan = plan_to_json(plan_for(silver_request(), Settings(), 16.0))
    manual.begin(plan=plan)
    manual.write(changed("r1", S.RUNNING, 890.0), checkpoint("r1", 900.0))
    again = manual.reopened(VirtualClock(UTC_0))
    yield again
    again.logbook.finish()


def restorer(bench: Bench, manual: ManualLogbook) -> Restorer:
    return Restorer(bench.supervisor, manual.logbook, RunRecorder(), bench.clock, Settings(), 16.0)


def test_restored_before_ready(manual: ManualLogbook) -> None:
    """The run is restored and published before another one may start."""
    bench = make_bench()
    restorer_ = restorer(bench, manual)
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.INTERRUPTED
    assert bench.supervisor.run is not None
    assert bench.supervisor.run.counter.charge_coulombs == 900.0
    assert restorer_.not_ready() is not None, "not yet published"
    restorer_.follow(SNAPSHOT, ())
    assert restorer_.not_ready() is None


def test_trip_at_start_comes_first(manual: ManualLogbook) -> None:
    """A relay found welded in the first pass trips before the logbook is open."""
    bench = make_bench()
    restorer_ = restorer(bench, manual)
    bench.supervisor._trip(Finding(TripReason.RELAY_WELDED))
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.TRIPPED
    assert restorer_.not_ready() is not None
    bench.run_for(1.0)
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.IDLE
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.INTERRUPTED


def test_run_comes_back_once(manual: ManualLogbook) -> None:
    """The run comes back once, however soon it is stopped."""
    bench = make_bench()
    restorer_ = restorer(bench, manual)
    restorer_.follow(SNAPSHOT, ())
    bench.supervisor.state, bench.supervisor.run = (
        S.IDLE,
        None,
    )  # stopped and acknowledged within one pass
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.IDLE


def test_unreadable_plan_is_reported(tmp_path: Path) -> None:
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    again = manual.reopened(VirtualClock(UTC_0))
    bench = make_bench()
    restorer_ = restorer(bench, again)
    restorer_.follow(SNAPSHOT, ())
    assert restorer_.not_ready() is None
    assert restorer_.message is not None
    outbox = bench.supervisor.take_outbox()
    events = [(i.kind, str(i.message)) for i in outbox if isinstance(i, Noted)]
    assert events == [(EventKind.WARNING, str(restorer_.message))]
    again.logbook.finish()


def test_older_version_names_unknowns(manual: ManualLogbook) -> None:
    """A run without a checkpoint has its charge and time, and its message names what is unknown."""
    bench = make_bench()
    restorer(bench, manual).follow(SNAPSHOT, ())
    message = str(bench.supervisor.message)
    assert "An older version of biteclock recorded this run" in message
    assert "how long the plate has been in the acid" in message
    run = bench.supervisor.run
    assert run is not None
    assert run.on_time_s == 300.0
    assert run.counter.uncertain_coulombs == 6.0
    assert run.soak.since_s is not None
    assert not run.soak.is_known


def test_older_version_keeps_its_limits(tmp_path: Path) -> None:
    """The limits come from the settings stored at the start, not from the present ones."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    start = parse_settings({"limits": {"max_voltage_v": 4.4, "over_current_fraction": 1.2}})
    plan = plan_to_json(plan_for(silver_request(), start, 16.0))
    manual.begin(plan=plan, settings=start.model_dump(mode="json"))
    again = manual.reopened(VirtualClock(UTC_0))
    bench = make_bench()
    restorer(bench, again).follow(SNAPSHOT, ())
    run = bench.supervisor.run
    assert run is not None
    assert (run.limits.max_voltage_v, run.limits.max_current_a) == pytest.approx((4.4, 3.6))
    again.logbook.finish()


@pytest.mark.parametrize("trouble", ["a newer field", "no checkpoint at all", "a smaller range"])
def test_unrestorable_run_is_reported(tmp_path: Path, trouble: str) -> None:
    """A run that cannot come back whole does not come back in part."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    plan = plan_for(silver_request(), Settings(), 16.0)
    run = new_run("r1", plan, Settings().limits)
    kept = checkpoint_to_json(run.checkpoint(1.0), moment_of(manual.clock))
    if trouble == "a newer field":
        kept["tilt_mm"] = 0.1
    elif trouble == "no checkpoint at all":
        kept = {"at_s": 1.0}
    manual.begin(plan=plan_for_logbook(plan))
    manual.write(replace(checkpoint("r1", 30.0), kept=kept))
    again = manual.reopened(VirtualClock(UTC_0))
    bench = make_bench()
    range_a = 3.2 if trouble == "a smaller range" else 16.0
    restorer_ = Restorer(
        bench.supervisor, again.logbook, RunRecorder(), bench.clock, Settings(), range_a
    )
    restorer_.follow(SNAPSHOT, ())
    assert bench.supervisor.state is S.IDLE
    assert str(restorer_.message).startswith("You cannot carry on with run r1: ")
    again.logbook.finish()
