"""A thermometer that is fitted and silent: no start, a warning in a run, then a pause."""

from __future__ import annotations

import pytest

from api.cli.rehearsal.rehearse import rehearse
from api.main import Rehearsal, parse_faults
from controller.config import Settings, parse_settings
from controller.errors import RefusedError, WrongStateError
from controller.messages import EventKind, RunState, TripReason
from controller.running.snapshot import take_snapshot
from controller.safety.outbox import Noted
from controller.texts import Message
from tests.kits.doubles import Bench, make_bench, silver_request
from tests.proofs.campaign.rows import rows

S = RunState
REFUSED = Message("supervisor.refused.thermometer_silent")
WARNING = Message("guards.warning.thermometer_silent", {"pause_s": 60.0})


class Thermometer:
    """Reads 21 degC, or nothing."""

    def __init__(self) -> None:
        self.degc: float | None = 21.0

    def latest_degc(self) -> float | None:
        return self.degc


def bench_with_thermometer() -> tuple[Bench, Thermometer]:
    bench, thermometer = make_bench(), Thermometer()
    bench.supervisor._thermometer = thermometer
    bench.run_for(0.2)
    return bench, thermometer


def test_silent_from_start_refuses() -> None:
    """A thermometer that never read refuses the start, and a working one allows it."""
    bench, thermometer = bench_with_thermometer()
    thermometer.degc = None
    with pytest.raises(WrongStateError) as caught:
        bench.start()
    assert caught.value.message == REFUSED
    assert (bench.supervisor.state, bench.supervisor.run) == (S.IDLE, None)
    shown = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
    assert shown.thermometer_silent
    assert REFUSED in shown.warnings
    thermometer.degc = 21.0
    bench.running()


def test_silent_in_run_warns_and_pauses() -> None:
    """It warns 5 s and pauses 60 s after the last temperature, and resumes only with a new one."""
    bench, thermometer = bench_with_thermometer()
    bench.running(for_s=30.0)
    bench.supervisor.take_outbox()
    thermometer.degc = None
    bench.run_for(4.8)
    assert bench.supervisor.run is not None
    assert WARNING not in bench.supervisor.run.warnings()
    bench.run_for(0.5)
    assert WARNING in bench.supervisor.run.warnings()
    bench.run_for(54.0)
    assert bench.supervisor.state is S.RUNNING
    bench.run_for(1.0)
    assert bench.supervisor.state is S.PAUSED
    assert not bench.gate.reads_on()
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.THERMOMETER_SILENT
    warned = [
        item
        for item in bench.supervisor.take_outbox()
        if isinstance(item, Noted) and item.kind is EventKind.WARNING
    ]
    assert [item.message for item in warned] == [WARNING], "once"
    with pytest.raises(WrongStateError) as caught:
        bench.supervisor.resume()
    assert caught.value.message == REFUSED
    thermometer.degc = 22.0
    bench.supervisor.resume()
    bench.until(S.RUNNING, within_s=5.0)
    bench.run_for(70.0)
    assert bench.supervisor.state is S.RUNNING


def test_short_silence_goes_on() -> None:
    """The time without a temperature begins again with each reading."""
    bench, thermometer = bench_with_thermometer()
    bench.running()
    for _ in range(4):
        thermometer.degc = None
        bench.run_for(50.0)
        thermometer.degc = 21.0
        bench.run_for(1.0)
    assert bench.supervisor.state is S.RUNNING


def test_no_thermometer_no_rule() -> None:
    bench = make_bench()
    bench.running(for_s=90.0)
    assert bench.supervisor.state is S.RUNNING
    assert not bench.supervisor.is_thermometer_silent


def test_rehearsed_silence_pauses() -> None:
    """In mid-run, on the rehearsal rig, within the time in the table of faults."""
    faults = parse_faults(["thermometer_silent@100"])
    result = rehearse(silver_request(), Rehearsal(faults=faults), Settings())
    row = rows("thermometer_silent")[0]
    assert (result.outcome, result.reason) == (row.ends, "thermometer_silent")
    assert row.worst_s is not None
    assert result.off_after_fault_s is not None
    assert result.off_after_fault_s <= row.worst_s
    assert str(WARNING) in result.notes


def test_rehearsed_silence_refuses() -> None:
    faults = parse_faults(["thermometer_silent@0"])
    with pytest.raises(WrongStateError) as caught:
        rehearse(silver_request(), Rehearsal(faults=faults), Settings())
    assert caught.value.message == REFUSED


def test_warning_precedes_pause() -> None:
    with pytest.raises(RefusedError):
        parse_settings({"limits": {"bath_silent_warn_s": 60.0, "bath_silent_pause_s": 60.0}})
