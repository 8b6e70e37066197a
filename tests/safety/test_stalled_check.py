"""A check whose samples have a gap ends the run: nobody knows what the rig did meanwhile."""

from __future__ import annotations

import pytest

from controller.messages import RunState, TripReason
from tests.kits.doubles import Bench, make_bench

GAP_S = 20.0
"""A process that was stopped for this long, s."""


def assert_never_on(bench: Bench) -> None:
    """The check has failed for its gap, and the relay stays off for good."""
    bench.run_for(5.0)
    assert bench.supervisor.state is RunState.TRIPPED
    assert bench.supervisor.finding is not None
    assert bench.supervisor.finding.reason is TripReason.SENSOR_STALE
    assert bench.supervisor.finding.limit == bench.settings.limits.max_sample_age_s
    assert 1 not in bench.pin.levels


@pytest.mark.parametrize("passes", [0, 1, 5, 12, 20])
def test_stopped_while_checking(passes: int) -> None:
    """The process is stopped at some moment of the check and continued later."""
    bench = make_bench()
    bench.run_for(0.5)
    bench.start()
    bench.tick(passes)
    assert bench.supervisor.state is RunState.CHECKING
    bench.clock.advance(GAP_S)
    assert_never_on(bench)


@pytest.mark.parametrize("gap_s", [1.01, 1.5, 20.0])
def test_bus_hangs_while_checking(gap_s: float) -> None:
    """A transfer that takes long and then succeeds."""
    bench = make_bench()
    bench.start()
    bench.tick(6)
    poll = bench.sensor.poll

    def hung() -> object:
        bench.clock.advance(gap_s)
        bench.sensor.poll = poll  # type: ignore[method-assign]
        return poll()

    bench.sensor.poll = hung  # type: ignore[method-assign,assignment]
    assert_never_on(bench)


def test_stopped_after_last_sample() -> None:
    """The process is stopped between the last sample of the check and the relay."""
    bench = make_bench()
    bench.start()
    real_note = bench.supervisor.note

    def stopped(*given: object, **named: object) -> None:
        bench.clock.advance(GAP_S)
        real_note(*given, **named)  # type: ignore[arg-type]

    bench.supervisor.note = stopped  # type: ignore[method-assign,assignment]
    bench.until(RunState.TRIPPED, RunState.RUNNING, within_s=30.0)
    assert_never_on(bench)


def test_short_gap_passes() -> None:
    """A gap that a run may have is no reason to fail the check."""
    bench = make_bench()
    bench.start()
    bench.tick(6)
    bench.clock.advance(0.9)
    bench.until(RunState.RUNNING, within_s=5.0)


def test_check_again_after_gap() -> None:
    """A person may acknowledge, resume, and get a whole check."""
    bench = make_bench()
    bench.start()
    bench.tick(6)
    bench.clock.advance(GAP_S)
    bench.until(RunState.TRIPPED, within_s=1.0)
    bench.run_for(0.5)
    bench.supervisor.acknowledge()
    bench.supervisor.resume()
    bench.until(RunState.RUNNING, within_s=5.0)
