"""The snapshot carries what the supervisor found, as values."""

from __future__ import annotations

from controller.errors import SensorError
from controller.messages import Finding, Snapshot, TripReason, advice_for
from controller.running.snapshot import take_snapshot
from tests.kits.doubles import Bench, make_bench


def snapshot_of(bench: Bench) -> Snapshot:
    return take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)


def test_finding_in_snapshot() -> None:
    bench = make_bench()
    assert snapshot_of(bench).finding is None
    bench.running(for_s=1.0)
    finding = Finding(TripReason.OVER_VOLTAGE, 6.5, 6.0, "V")
    bench.supervisor.cut(finding)
    seen = snapshot_of(bench)
    assert (seen.finding, seen.reason, seen.message) == (
        finding,
        finding.reason,
        finding.message,
    )
    bench.supervisor.acknowledge()
    assert snapshot_of(bench).finding is None


def test_sensor_fault_outside_run() -> None:
    bench = make_bench()
    bench.run_for(0.2)
    error = SensorError("guards.sensor_fault.no_number")
    bench.sensor.error = error
    bench.tick()
    found = Finding(TripReason.SENSOR_FAULT, cause=error.message)
    assert snapshot_of(bench).sensor_message == found.message
    assert snapshot_of(bench).finding is None, "no run has ended"


def test_weld_warns() -> None:
    bench = make_bench()
    assert snapshot_of(bench).warnings == ()
    bench.supervisor.is_welded = True
    assert snapshot_of(bench).warnings == (advice_for(TripReason.RELAY_WELDED),)
